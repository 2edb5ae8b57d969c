"""Cells of a filled sheet by their places, whether it came as a workbook or as a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from reconcile.faults import Where

_LETTERS = 26


def letters(column: int) -> str:
    """Give the name of a column, counted from 1: A to Z, AA and so on."""
    name = ""
    while column > 0:
        column, rest = divmod(column - 1, _LETTERS)
        name = chr(ord("A") + rest) + name
    return name


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A cell: its sheet, row and column, counted from 1; a column of 0 is the whole row."""

    sheet: str
    row: int = 0
    column: int = 0
    line: int = 0
    """In a table as text: the line of the file, since its sheets stand below one another."""

    def __str__(self) -> str:
        """Give the place as an engineer would look it up."""
        told = f"sheet '{self.sheet}'"
        if self.line:
            told += f", line {self.line}"
            return told + (f", column {letters(self.column)}" if self.column else "")
        if self.column:
            return f"{told}, cell {letters(self.column)}{self.row}"
        return f"{told}, row {self.row}" if self.row else told


@dataclass(frozen=True, slots=True)
class Broken:
    """Stands in a cell that has no value to read: an error, a formula without a result."""

    code: str
    what: str
    mend: str


Value = str | float | bool | date | datetime | time | timedelta | Broken
"""What a cell can hold; blank cells are not kept."""


@dataclass(slots=True)
class Grid:
    """The cells of one sheet that hold something, by row and column counted from 1."""

    name: str
    rows: dict[int, dict[int, Value]] = field(default_factory=dict)
    lines: dict[int, int] = field(default_factory=dict)
    """In a table as text: on which line of the file each row stands."""
    decimal_comma: bool = False
    """Whether a comma within a number can only be a decimal mark."""

    def place(self, row: int, column: int = 0) -> Place:
        """Give a place of this sheet."""
        return Place(self.name, row, column, self.lines.get(row, 0))

    def __iter__(self) -> Iterator[tuple[int, dict[int, Value]]]:
        """Give the rows that hold something, from the top."""
        return iter(sorted(self.rows.items()))


@dataclass(frozen=True, slots=True)
class Slip:
    """
    Something wrong with what stands in a cell, or with a sheet.

    ``where`` is the place in the JSON document that the cell is for; empty where it has none.
    """

    place: Place
    where: Where
    code: str
    what: str
    mend: str
