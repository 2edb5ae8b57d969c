"""A document as a workbook: a sheet for each section, numbers as numbers."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from itertools import count

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from service.kit.figures import signed, value_and_sd

from .document import (
    Block,
    Caution,
    Cell,
    Change,
    Chart,
    Column,
    Document,
    Items,
    Paragraph,
    Table,
    Value,
)

_NO_DATE = datetime(1980, 1, 1, tzinfo=UTC)
"""Stands where the format wants a date: the same document gives the same bytes."""

_OPTIONS = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_numbers": False,
    "strings_to_urls": False,
}
_FORMULA = ("=", "+", "-", "@")
_NAMES, _FIGURES, _LETTERS_A_LINE, _HEIGHT = 34.0, 14.0, 120, 15.0
_MERGED = 7
"""Running text goes over so many columns."""

_MOST_LETTERS = 32_000
"""A cell holds no more (32,767 by the file format)."""


def workbook(document: Document) -> bytes:
    """
    Give a document as XLSX.

    Cells hold whole figures and show them rounded as the other forms do; the standard deviation
    stands in a column of its own.  What is not read stands in brackets by its format.
    """
    written = io.BytesIO()
    book = _Book(written)
    book.sheet("In short", document.title, _head(document))
    for section in document.sections:
        book.sheet(section.key.capitalize(), section.heading, section.blocks)
    book.close(document)
    return written.getvalue()


def _head(document: Document) -> tuple[Block, ...]:
    facts = [f"{name}: {words}" for name, words in document.facts]
    sentences = [*facts, *filter(None, [document.note]), *document.answer, document.notice]
    return tuple(map(Paragraph, sentences))


def format_of(text: str, before: str = "", behind: str = "") -> str:
    """Give the number format that shows a number as this text does, to the same digits."""
    digits, _, power = text.partition("e")
    decimals = len(digits.partition(".")[2])
    shown = f"0.{'0' * decimals}" if decimals else "0"
    shown += "E+00" if power else ""
    sign = f"{before}+{shown};{before}-{shown}" if text.startswith("+") else before + shown
    return sign + behind


class _Book:
    """A workbook in the making: its formats, and the row at which each sheet is."""

    def __init__(self, written: io.BytesIO) -> None:
        self._book = Workbook(written, _OPTIONS)
        self._formats: dict[tuple[str, ...], Format] = {}
        self._heading = self._book.add_format({"bold": True, "font_size": 14})
        self._caption = self._book.add_format({"bold": True})
        self._head = self._book.add_format({"text_wrap": True, "bottom": 1, "valign": "bottom"})
        self._text = self._book.add_format({"text_wrap": True, "valign": "top"})
        self._plain = self._book.add_format()
        self._quoted = self._book.add_format({"quote_prefix": True})

    def close(self, document: Document) -> None:
        self._book.set_properties({"title": document.title[:255], "created": _NO_DATE})
        self._book.close()

    def sheet(self, name: str, heading: str, blocks: tuple[Block, ...]) -> None:
        sheet = self._book.add_worksheet(name)
        sheet.set_paper(9)  # A4
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_column(0, 0, _NAMES)
        sheet.set_column(1, 60, _FIGURES)
        sheet.write_string(0, 0, heading[:_MOST_LETTERS], self._heading)
        row = 2
        for block in blocks:
            row = self._block(sheet, row, block)

    def _block(self, sheet: Worksheet, row: int, block: Block) -> int:
        match block:
            case Table():
                return self._table(sheet, row, block)
            case Chart(data=table):
                row = self._words(sheet, row, f"{block.caption}. {block.alternative}")
                return row if table is None else self._table(sheet, row, table)
            case Items(items):
                for item in items:
                    row = self._words(sheet, row, item)
                return row
            case Caution(text):
                return self._words(sheet, row, f"Mind: {text}")
            case Paragraph(text):
                return self._words(sheet, row, text)

    def _words(self, sheet: Worksheet, row: int, text: str) -> int:
        text = text[:_MOST_LETTERS]
        sheet.set_row(row, _HEIGHT * (1 + len(text) // _LETTERS_A_LINE))
        sheet.merge_range(row, 0, row, _MERGED, "", self._text)
        sheet.write_string(row, 0, text, self._text)
        return row + 1

    def _string(self, sheet: Worksheet, row: int, column: int, text: str) -> None:
        """Write words, marked as such where they could pass for a formula once they are edited."""
        style = self._quoted if text.startswith(_FORMULA) else self._plain
        sheet.write_string(row, column, text[:_MOST_LETTERS], style)

    def _table(self, sheet: Worksheet, row: int, table: Table) -> int:
        sheet.write_string(row + 1, 0, table.caption[:_MOST_LETTERS], self._caption)
        places = _places(table)
        top = row + 2
        sheet.write_string(top, 0, table.corner, self._head)
        for column, (place, beside) in zip(table.columns, places, strict=True):
            sheet.write_string(top, place, column.text, self._head)
            if beside:
                sheet.write_string(top, place + 1, _beside(column), self._head)
        for k, line in enumerate(table.rows, top + 1):
            self._string(sheet, k, 0, line.name)
            for cell, (place, _) in zip(line.cells, places, strict=True):
                self._cell(sheet, k, place, cell)
        row = top + 1 + len(table.rows)
        return self._words(sheet, row, table.note) if table.note else row

    def _cell(self, sheet: Worksheet, row: int, place: int, cell: Cell) -> None:
        match cell:
            case Value(value, sd, words, inferred) if value is not None:
                shown, error = value_and_sd(value, sd)
                before, behind = ('"("', '")"') if inferred else ("", "")
                alone = not error
                style = self._number(format_of(shown, before, behind if alone else ""))
                sheet.write_number(row, place, value, style)
                if error and sd is not None:
                    style = self._number(format_of(error, behind=behind))
                    sheet.write_number(row, place + 1, sd, style)
                elif words:
                    self._string(sheet, row, place + 1, words)
            case Change(value, digits_of, words):
                style = self._number(format_of(signed(value, digits_of)))
                sheet.write_number(row, place, value, style)
                if words:
                    self._string(sheet, row, place + 1, words)
            case Value(words=words) | str(words):
                if words:
                    self._string(sheet, row, place, words)

    def _number(self, number_format: str) -> Format:
        key = ("number", number_format)
        if key not in self._formats:
            self._formats[key] = self._book.add_format({"num_format": number_format})
        return self._formats[key]


def _places(table: Table) -> list[tuple[int, bool]]:
    """Give for each column where it stands, and whether it has a second one beside it."""
    places, free = [], count(1)
    for k in range(len(table.columns)):
        beside = any(_has_more(row.cells[k]) for row in table.rows)
        places.append((next(free), beside))
        if beside:
            next(free)
    return places


def _has_more(cell: Cell) -> bool:
    if isinstance(cell, str) or cell.value is None:
        return False
    return bool(cell.words) or (isinstance(cell, Value) and bool(cell.sd))


def _beside(column: Column) -> str:
    return f"± {column.unit}" if column.unit else "±"
