"""What was separated: yields, separations, what products are made of, heads by two roads."""

from __future__ import annotations

from dataclasses import replace

from service.balances.reply import BalanceReply, SeriesPerformance
from service.balances.table import performance
from service.balances.table.cells import value_of
from service.balances.table.streams import Filled, tabled
from service.report.document import Block, Change, Column, Items, Paragraph, Row, Table, Value


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give every series: what it says, then its tables."""
    return tuple(block for series in reply.performance for block in _series(series))


def _series(series: SeriesPerformance) -> tuple[Block, ...]:
    """Give a series: what should be known first, then each table with what it says."""
    tables = performance.separations(series)
    said = [found.statement if found.size is None else "" for found in series.separations]
    found: list[Block] = [
        Paragraph(f"{performance.heading(series)}. {' '.join(series.statements)}"),
        *performance.yields(series),
        *(replace(table, note=words) for table, words in zip(tables, said, strict=True)),
    ]
    if series.makeup:
        found += [_made_of(series), Items(tuple(made.statement for made in series.makeup))]
    if series.heads:
        found += [_heads(series), Items(tuple(head.statement for head in series.heads))]
    return tuple(found)


def _made_of(series: SeriesPerformance) -> Table:
    """Give what each product holds of each mineral, and what part of the mineral that is."""
    names = list(dict.fromkeys(part.of for product in series.makeup for part in product.parts))
    columns: list[Filled] = []
    for name in names:
        shares = [
            next((value_of(part.share) for part in product.parts if part.of == name), "")
            for product in series.makeup
        ]
        columns.append((Column(name), shares))
    columns.append((Column("none of these"), [value_of(p.rest) for p in series.makeup]))
    rows = [product.product for product in series.makeup]
    return tabled("What each product is made of, %", "Product", rows, columns, unit="%")


def _heads(series: SeriesPerformance) -> Table:
    """Give the heads as read and as everything else has them."""
    rows = [
        Row(
            f"{head.of} of {head.stream}",
            (
                Value(head.assayed, head.assayed_sd),
                Value(head.calculated, head.calculated_sd, _word(head.calculated)),
                "" if head.difference is None else Value(head.difference, head.difference_sd),
                "" if head.standardised is None else Change(head.standardised, 1.0),
                "" if head.p_value is None else f"{head.p_value:.2g}",
            ),
            head.unit or "",
        )
        for head in series.heads
    ]
    columns = (
        *(Column("read"), Column("calculated"), Column("difference")),
        *(Column("in its own sd", ""), Column("probability of as much", "")),
    )
    return Table("Heads as read and as calculated", "Head", columns, tuple(rows))


def _word(value: float | None) -> str:
    return "unknown" if value is None else ""
