"""
From the bytes of a table as text (CSV) to its cells.

All sheets stand in the one file, below one another: each begins with a line that holds its name
and nothing else.  Programs write such files in their own ways, so the mark between cells, the
encoding and the decimal mark are found out: a comma is a decimal mark only where cells are parted
by something else.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection

from reconcile.faults import Fault
from service.kit.problems import UNREADABLE_SHEET, RefusalError, problem_of

from .grid import Grid, Slip
from .package import MOST_COLUMNS, MOST_ROWS
from .write_table import unguarded

_MARKS = (",", ";", "\t")
_DECLARED_MARK = re.compile(r"\s*\"?sep=(.)\"?\s*", re.IGNORECASE)
_WINDOWS = "cp1252"


def decoded(content: bytes) -> str:
    """
    Give a table as text: UTF-8, UTF-16 with its mark, or else Windows-1252.

    What is not UTF-8 was written by an older program of the West; its letters, ± and µ among them,
    are those of Windows-1252.

    Raises
    ------
    RefusalError
        400 where it is none of them.
    """
    try:
        if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            text = content.decode("utf-16")
        else:
            text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = _of_windows(content)
    if "\x00" in text:
        raise _refuse(
            "The file holds zero bytes: it is no text.", "Save the table as CSV in UTF-8."
        )
    return text


def _of_windows(content: bytes) -> str:
    try:
        return content.decode(_WINDOWS)
    except UnicodeDecodeError as error:
        raise _refuse(
            "The file is not text in UTF-8.", "Save the table as CSV in UTF-8."
        ) from error


def _refuse(what: str, mend: str, line: int | None = None) -> RefusalError:
    fault = Fault((), "malformed-table", what, mend)
    problem = problem_of(UNREADABLE_SHEET, f"{what} {mend}", [fault])
    return RefusalError(UNREADABLE_SHEET, problem.model_copy(update={"line": line}))


def read_table(content: bytes, wanted: Collection[str]) -> tuple[dict[str, Grid], list[Slip]]:
    """
    Give the cells of those sheets of a table that are wanted, by the names asked for.

    Raises
    ------
    RefusalError
        400 where it cannot be read as a table at all.
    """
    text = decoded(content)
    first, _, rest = text.partition("\n")
    declared = _DECLARED_MARK.fullmatch(first.strip("\r"))
    skipped = 1 if declared else 0
    body = rest if declared else text
    marks = (declared[1],) if declared else _MARKS
    by_name = {name.lower(): name for name in wanted}
    tried = [_parted(body, mark, skipped, by_name) for mark in marks]
    return max(
        tried, key=lambda found: sum(len(r) for g in found[0].values() for r in g.rows.values())
    )


def _count(grid: Grid) -> int:
    return sum(map(len, grid.rows.values()))


def _parted(
    text: str, mark: str, skipped: int, by_name: dict[str, str]
) -> tuple[dict[str, Grid], list[Slip]]:
    """Part a table by one mark between cells."""
    found: dict[str, Grid] = {}
    slips: list[Slip] = []
    grid: Grid | None = None
    row = 0
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    line = 0
    try:
        for cells in reader:
            begun, line = line + 1, reader.line_num
            filled = {i: c for i, c in enumerate(map(_bare, cells), 1) if c}
            name = by_name.get(filled[1].lower()) if list(filled) == [1] else None
            if name is not None:
                row = 0
                grid = found.setdefault(name, Grid(name, decimal_comma=mark != ","))
                if grid.rows:
                    grid.lines[0] = begun + skipped
                    what = f"The sheet '{name}' begins a second time."
                    slips.append(
                        Slip(grid.place(0), (), "repeated-sheet", what, "Keep one of them.")
                    )
                    grid = Grid(name)
                continue
            if grid is None or not filled:
                continue
            row += 1
            grid.lines[row] = begun + skipped
            if row > MOST_ROWS or max(filled) > MOST_COLUMNS:
                raise _refuse(
                    f"The sheet '{grid.name}' has more than {MOST_ROWS} rows or {MOST_COLUMNS} "
                    "columns.",
                    "Send tests one by one.",
                    begun + skipped,
                )
            grid.rows[row] = dict(filled)
    except csv.Error as error:
        place = reader.line_num + skipped
        raise _refuse(
            f"The table cannot be read on at line {place}: {error}.",
            "Quote cells after RFC 4180.",
            place,
        ) from error
    return found, slips


def _bare(cell: str) -> str:
    return unguarded(cell.strip())
