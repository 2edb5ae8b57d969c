"""A document as one tidy table: a line for each figure, and one for each sentence."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from .document import Caution, Cell, Change, Chart, Document, Items, Section, Table, Value, unit_of

COLUMNS = ("section", "table", "row", "quantity", "value", "sd", "unit", "text")

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def tidy(document: Document) -> bytes:
    """
    Give a document as CSV (RFC 4180) in UTF-8.

    Values and standard deviations are whole, ``text`` has them as the other forms show them.  Words
    that a spreadsheet would take for a formula begin with an apostrophe.
    """
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow(COLUMNS)
    for line in _lines(document):
        writer.writerow(line)
    return written.getvalue().encode()


def guarded(text: str) -> str:
    """Give words so that no spreadsheet takes them for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


Line = tuple[str, ...]


def _said(section: str, *sentences: str) -> Iterator[Line]:
    for sentence in sentences:
        yield (section, *[""] * (len(COLUMNS) - 2), guarded(sentence))


def _lines(document: Document) -> Iterator[Line]:
    facts = (f"{name}: {words}" for name, words in document.facts)
    note = (document.note,) if document.note else ()
    yield from _said("title", document.title, *facts, *note)
    yield from _said("answer", *document.answer)
    for section in document.sections:
        yield from _of_section(section)
    yield from _said("notice", document.notice)


def _of_section(section: Section) -> Iterator[Line]:
    for block in section.blocks:
        match block:
            case Table():
                yield from _of_table(section.key, block)
            case Chart(data=table):
                # Where it has none, its figures stand in a table elsewhere.
                yield from () if table is None else _of_table(section.key, table)
            case Items(items):
                yield from _said(section.key, *items)
            case Caution(text):
                yield from _said(section.key, f"Mind: {text}")
            case _:
                yield from _said(section.key, block.text)


def _of_table(section: str, table: Table) -> Iterator[Line]:
    for row in table.rows:
        for column, cell in zip(table.columns, row.cells, strict=True):
            place = (section, *map(guarded, (table.caption, row.name, column.heading)))
            yield (*place, *_figures(cell, unit_of(table, row, column)))


def _figures(cell: Cell, unit: str) -> Line:
    match cell:
        case Value(value, sd) if value is not None:
            return repr(value), "" if sd is None else repr(sd), unit, guarded(cell.text)
        case Change(value):
            return repr(value), "", unit, guarded(cell.text)
        case Value():
            return "", "", unit, guarded(cell.text)
        case _:
            return "", "", "", guarded(cell)
