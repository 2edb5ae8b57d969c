"""
What a report says, before it is set in any form.

A document is an ordered tree of plain values.  Each form (page, print, workbook, table) is made
from the same document, so that forms cannot differ in what they say or in a digit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from service.kit.figures import plus_minus, signed

from .drawings import Drawing


@dataclass(frozen=True, slots=True)
class Value:
    """
    A value with its standard deviation, in the unit of its column.

    ``words`` stand in its place where there is none, or behind it where there is one.  A value
    that was not read but follows from others is ``inferred`` and stands in brackets.
    """

    value: float | None
    sd: float | None = None
    words: str = ""
    inferred: bool = False

    @property
    def text(self) -> str:
        """The value as it is shown, rounded to what its sd says is known."""
        if self.value is None:
            return self.words
        shown = plus_minus(self.value, self.sd)
        shown = f"{shown} {self.words}" if self.words else shown
        return f"({shown})" if self.inferred else shown


@dataclass(frozen=True, slots=True)
class Change:
    """
    A number with its sign, shown to the digits of ``digits_of``, an sd that is not its own.

    ``words`` stand behind it in brackets.
    """

    value: float
    digits_of: float | None = None
    words: str = ""

    @property
    def text(self) -> str:
        """The number as it is shown."""
        shown = signed(self.value, self.digits_of)
        return f"{shown} ({self.words})" if self.words else shown


Cell = Value | Change | str
"""What stands in a table: a figure, or words."""


def text_of(cell: Cell) -> str:
    """Give what a cell shows."""
    return cell if isinstance(cell, str) else cell.text


@dataclass(frozen=True, slots=True)
class Column:
    """
    A column: its heading, and the unit of its figures.

    Without one it is that of the row, or of the table; where it is empty there is none.
    """

    heading: str
    unit: str | None = None

    @property
    def text(self) -> str:
        """The heading with the unit."""
        return f"{self.heading}, {self.unit}" if self.unit else self.heading


@dataclass(frozen=True, slots=True)
class Row:
    """A row: what it is of, its cells, one for each column, and their unit if it has one."""

    name: str
    cells: tuple[Cell, ...]
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """
    A table: ``corner`` heads the column of names, ``note`` explains what needs it.

    ``unit`` is that of figures whose column and row have none.
    """

    caption: str
    corner: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    note: str = ""
    unit: str | None = None


def unit_of(table: Table, row: Row, column: Column) -> str:
    """Give the unit of a figure, empty where it has none."""
    return next((u for u in (column.unit, row.unit, table.unit) if u is not None), "")


MOST_COLUMNS = 8
"""Columns that a sheet of paper has room for, beside that of names."""


def parts(table: Table) -> Iterator[Table]:
    """Give a table in parts that fit a sheet of paper, about as wide; names stand in each."""
    count = max(-(-len(table.columns) // MOST_COLUMNS), 1)
    width = max(-(-len(table.columns) // count), 1)
    for start in range(0, count * width, width):
        some = slice(start, start + width)
        rows = tuple(Row(row.name, row.cells[some], row.unit) for row in table.rows)
        caption = f"{table.caption}, continued" if start else table.caption
        yield replace(table, caption=caption, columns=table.columns[some], rows=rows)


@dataclass(frozen=True, slots=True)
class Chart:
    """
    A drawing with a caption.

    ``alternative`` says in words what it shows, ``data`` holds every figure in it; None where a
    table elsewhere in the document does, which ``alternative`` then names.
    """

    caption: str
    alternative: str
    drawing: Drawing
    data: Table | None = None


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph of running text."""

    text: str


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to mind where work can hurt, or a figure can mislead."""

    text: str


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    items: tuple[str, ...]


Block = Paragraph | Caution | Items | Table | Chart


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the document under a heading; ``key`` names it in addresses."""

    key: str
    heading: str
    blocks: tuple[Block, ...]

    @property
    def tables(self) -> Iterator[Table]:
        """Every table of the section, those behind charts as well."""
        for block in self.blocks:
            if isinstance(block, Table):
                yield block
            elif isinstance(block, Chart) and block.data is not None:
                yield block.data


@dataclass(frozen=True, slots=True)
class Document:
    """
    A report: title, facts about it, the answer in sentences, then the sections.

    ``facts`` are pairs of words; ``notice`` says what the report is not.
    """

    title: str
    note: str
    answer: tuple[str, ...]
    sections: tuple[Section, ...]
    notice: str
    facts: tuple[tuple[str, str], ...] = field(default=())


def non_empty(sections: list[Section]) -> tuple[Section, ...]:
    """Give the sections that say anything."""
    return tuple(section for section in sections if section.blocks)
