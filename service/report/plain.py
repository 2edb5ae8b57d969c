"""Tables of a document as plain text."""

from __future__ import annotations

from service.kit import plain_table

from .document import Table, text_of


def lines(table: Table) -> list[str]:
    """Lay out a table as lines of a terminal; the corner stands for the caption."""
    columns = [
        plain_table.Column(column.text, [text_of(row.cells[k]) for row in table.rows])
        for k, column in enumerate(table.columns)
    ]
    return plain_table.table([row.name for row in table.rows], columns, table.corner)
