"""The rows of a sheet below its headings, each cell under its column."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass, field

from .grid import Grid, Place, Slip, Value
from .layout import Table, plainly
from .results import Telling, shown, text_of

_LAST_HEADING_ROW = 30
"""Headings are looked for so far down; above them anything may stand."""


@dataclass(frozen=True)
class Row:
    """A row: its cells by heading (in plain form), and those of assay columns by column."""

    grid: Grid
    number: int
    cells: dict[str, tuple[int, Value]]
    others: dict[int, Value]

    def place(self, heading: str = "") -> Place:
        """Give the cell under a heading; the row itself where there is none."""
        column, _ = self.cells.get(plainly(heading), (0, ""))
        return self.grid.place(self.number, column)

    def text(self, heading: str) -> str:
        """Give the text under a heading; empty where the cell is blank or has no value."""
        _, value = self.cells.get(plainly(heading), (0, ""))
        try:
            return text_of(value)
        except Telling:
            return ""


@dataclass
class Rows:
    """What stands in a sheet: its rows, the headings that are no column of it, what is wrong."""

    grid: Grid
    rows: list[Row] = field(default_factory=list)
    others: dict[int, str] = field(default_factory=dict)
    heading_row: int = 0
    slips: list[Slip] = field(default_factory=list)

    def __iter__(self) -> Iterator[Row]:
        """Give the rows from the top."""
        return iter(self.rows)

    def place(self) -> Place:
        """Give the sheet as a place."""
        return self.grid.place(0)


def rows_of(grid: Grid, table: Table, *, takes_others: bool = False) -> Rows:
    """
    Take a sheet apart by its headings.

    ``takes_others`` says that columns with headings unknown here are given too, for assays.
    """
    found = Rows(grid)
    lead = {plainly(heading) for heading in table.lead}
    for number, cells in grid:
        if number <= _LAST_HEADING_ROW and lead <= _headings(cells).keys():
            found.heading_row = number
            break
    else:
        names = ", ".join(f"'{heading}'" for heading in table.lead)
        what = f"The sheet '{table.name}' has no row of headings with {names}."
        mend = "Keep the headings of the blank sheet as they are."
        found.slips.append(Slip(grid.place(0), (), "no-headings", what, mend))
        return found
    by_column = _columns(found, grid, table, takes_others)
    for number, cells in grid:
        if number > found.heading_row:
            found.rows.append(_row(found, grid, number, cells, by_column))
    return found


def _headings(cells: dict[int, Value]) -> dict[str, int]:
    return {plainly(str(value)): column for column, value in cells.items()}


def _columns(found: Rows, grid: Grid, table: Table, takes_others: bool) -> dict[int, str]:
    """Give the heading of each column in plain form; unknown ones go to the others."""
    by_column: dict[int, str] = {}
    for column, value in sorted(grid.rows[found.heading_row].items()):
        heading, place = plainly(str(value)), grid.place(found.heading_row, column)
        if heading in by_column.values():
            what = f"The heading '{shown(value)}' stands twice."
            found.slips.append(Slip(place, (), "repeated-column", what, "Keep one of the two."))
        elif table.column(heading) is not None:
            by_column[column] = heading
        elif takes_others:
            found.others[column] = str(value).strip()
        else:
            found.slips.append(_unknown(place, value, table))
    return by_column


def _unknown(place: Place, value: Value, table: Table) -> Slip:
    known = [column.heading for column in table.columns]
    close = difflib.get_close_matches(str(value), known, n=1, cutoff=0.7)
    hint = f"Did you mean '{close[0]}'? " if close else ""
    what = f"The sheet '{table.name}' has no column '{shown(value)}'."
    return Slip(place, (), "unknown-column", what, f"{hint}Known: {', '.join(known)}.")


def _row(
    found: Rows, grid: Grid, number: int, cells: dict[int, Value], by_column: dict[int, str]
) -> Row:
    known: dict[str, tuple[int, Value]] = {}
    others: dict[int, Value] = {}
    headed = grid.rows[found.heading_row]
    for column, value in sorted(cells.items()):
        if column in by_column:
            known[by_column[column]] = (column, value)
        elif column in found.others:
            others[column] = value
        elif column not in headed:
            what = f"'{shown(value)}' stands under no heading."
            mend = "Give the column a heading, or take the entry out."
            place = grid.place(number, column)
            found.slips.append(Slip(place, (), "no-heading", what, mend))
    return Row(grid, number, known, others)
