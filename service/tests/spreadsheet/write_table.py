"""A test sheet as a table of text (CSV, RFC 4180): all sheets below one another."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Sequence

from .fill import Cell, Sheet

_LOOKS_LIKE_A_FORMULA = re.compile(r"'*[=+\-@\t\r]")


_LARGEST_WHOLE = 1e15  # beyond it digits would be written that a double does not have


def guarded(text: str) -> str:
    """
    Put an apostrophe before what a spreadsheet program would take for a formula.

    :func:`unguarded` takes it off again, and only that.
    """
    return f"'{text}" if _LOOKS_LIKE_A_FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """Take off the apostrophe that :func:`guarded` put there."""
    return text[1:] if text.startswith("'") and _LOOKS_LIKE_A_FORMULA.match(text) else text


def _written(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return guarded(cell)
    is_whole = isinstance(cell, float) and cell.is_integer() and abs(cell) < _LARGEST_WHOLE
    return json.dumps(int(cell) if is_whole else cell)


def as_table(sheets: Sequence[Sheet]) -> bytes:
    """Write sheets as one table in UTF-8, with the mark by which programs know it."""
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\r\n")
    for sheet in sheets:
        writer.writerow([sheet.table.name])
        writer.writerow(sheet.headings)
        writer.writerows([_written(cell) for cell in row] for row in sheet.rows)
        writer.writerow([])
    return written.getvalue().encode("utf-8-sig")
