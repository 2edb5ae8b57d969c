"""Tables of products and of every stream; the tables are those of the plain text."""

from __future__ import annotations

from dataclasses import replace

from service.balances.reply import BalanceReply
from service.balances.table import errors, streams
from service.balances.table.cells import bracketed, named, value_of
from service.report.document import Block, Column, Table, Value


def _legend(table: Table) -> str:
    """Explain the brackets and words that a table uses, and only those."""
    values = [cell for row in table.rows for cell in row.cells if isinstance(cell, Value)]
    used = (
        (any(value.inferred for value in values), streams.BRACKETS),
        (any(value.words == "unknown" for value in values), streams.UNKNOWN),
        (any(value.words == "undefined" for value in values), streams.UNDEFINED),
    )
    return " ".join(sentence for is_used, sentence in used if is_used)


def _shown(*tables: Table | None) -> tuple[Block, ...]:
    known = [table for table in tables if table is not None]
    return tuple(replace(table, note=_legend(table)) for table in known)


def products(reply: BalanceReply) -> tuple[Block, ...]:
    """Give what was fed and what came out: mass, yield, and what it holds."""
    outer = [s for s in reply.streams if s.role != "internal"]
    columns: list[streams.Filled] = (
        [
            (Column("mass", outer[0].mass.unit), [value_of(s.mass) for s in outer]),
            (Column("yield", "%"), [value_of(s.yield_) for s in outer]),
        ]
        if outer
        else []
    )
    for k, assay in enumerate(outer[0].assays if outer else ()):
        cells = [bracketed(s.assays[k]) if s in streams.graded([s]) else "" for s in outer]
        columns.append((Column(assay.component, assay.unit), cells))
    table = streams.tabled(
        "Feeds and products, dry solids", "Stream", [named(s) for s in outer], columns
    )
    return (replace(table, note=_legend(table)),) if outer else ()


def recovered(reply: BalanceReply) -> tuple[Block, ...]:
    """Give the recovery of each component to each product, by size where that is followed."""
    return _shown(streams.recoveries(reply), *streams.recoveries_by_size(reply))


def every(reply: BalanceReply) -> tuple[Block, ...]:
    """Give every stream with all that came out for it."""
    return _shown(
        streams.masses(reply),
        streams.waters(reply),
        streams.stocks(reply),
        streams.assays(reply),
        streams.analytes(reply),
        *streams.sizes(reply),
        *errors.counts(reply),
        errors.contents(reply),
    )
