"""Workbooks and tables for tests, made by a spreadsheet library as other programs make them."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from openpyxl import Workbook

from service.kit.media import XLSX
from service.tests.spreadsheet.filled import Filled
from service.tests.spreadsheet.service import filled_of

Rows = Sequence[Sequence[Any]]

TEST: Rows = [["what", "entry"], ["title", "One magnetic pass"], ["sd of a weighing", 0.5]]
ASSAYS: Rows = [["name", "unit", "sd", "relative sd"], ["Sn", "%", 0.05, 0.015]]
PASSES: Rows = [["pass", "kind", "fed", "gap, mm"], ["pass 1", "magnetic", "head", 4]]
TRAYS: Rows = [
    ["pass", "tray", "what", "net", "gross", "tare", "Sn, %"],
    [None, "head", "head", 2500.2, None, None, 31.2],
    ["pass 1", "mag 1", None, None, 1017.6, 112.6, "3.38; 3.44"],
    ["pass 1", "nonmag", None, 1595.1, None, None, 47.3],
]
"""The smallest sheet of the contract, as someone would type it. Invented data."""

SHEETS: Mapping[str, Rows] = {"Test": TEST, "Assays": ASSAYS, "Passes": PASSES, "Trays": TRAYS}


def book(
    sheets: Mapping[str, Rows] = SHEETS, then: Callable[[Workbook], None] | None = None
) -> bytes:
    """Give a workbook of these rows, after something was done to it."""
    made = Workbook()
    made.remove(made.worksheets[0])
    for name, rows in sheets.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(list(row))
    if then is not None:
        then(made)
    written = io.BytesIO()
    made.save(written)
    return written.getvalue()


def with_trays(*rows: Sequence[Any], headings: Sequence[Any] = TRAYS[0]) -> dict[str, Rows]:
    """Give the sheets with other rows of trays."""
    return {**SHEETS, "Trays": [headings, *rows]}


def with_cell(reference: str, value: Any, sheet: str = "Trays") -> bytes:
    """Give the workbook with another value in one cell."""

    def put(made: Workbook) -> None:
        made[sheet][reference] = value

    return book(then=put)


def table(sheets: Mapping[str, Rows] = SHEETS, mark: str = ",", comma: bool = False) -> str:
    """Give a table of these rows, numbers with decimal commas if asked for."""

    def cell(value: Any) -> str:
        text = "" if value is None else str(value)
        text = text.replace(".", ",") if comma and isinstance(value, float) else text
        return f'"{text}"' if re.search(rf'[{mark}"\n]', text) else text

    lines = []
    for name, rows in sheets.items():
        lines += [name, *(mark.join(map(cell, row)) for row in rows), ""]
    return "\r\n".join(lines)


def patched(content: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    """Give a package with one of its parts changed."""
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(written, "w") as new:
        for name in old.namelist():
            held = old.read(name)
            new.writestr(name, change(held) if name == part else held)
    return written.getvalue()


def read(content: bytes, kind: str = XLSX) -> Filled:
    """Read a sheet."""
    return filled_of(content, kind)


def slips(content: bytes, kind: str = XLSX) -> dict[str, str]:
    """Give the codes of what is wrong with a sheet by cell."""
    return {str(slip.place): slip.code for slip in read(content, kind).slips}
