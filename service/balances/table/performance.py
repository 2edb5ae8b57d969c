"""What was separated, a table for each mineral or component, and what needs care."""

from __future__ import annotations

from service.balances.reply import BalanceReply, SeparationFigures, SeriesPerformance
from service.report.document import Column, Table

from .cells import value_of
from .streams import Filled, tabled


def heading(series: SeriesPerformance) -> str:
    """Say what the series is of."""
    return f"What was separated from {' + '.join(repr(f) for f in series.feed)}"


def yields(series: SeriesPerformance) -> list[Table]:
    """Give the yields of a series, in all sizes first, then by size."""
    tables = []
    for found in series.yields:
        what = "Yield" if found.size is None else f"Yield, {found.size}"
        columns: list[Filled] = [
            (Column("alone"), [value_of(p.alone) for p in found.products]),
            (Column("so far"), [value_of(p.cumulative) for p in found.products]),
        ]
        tables.append(tabled(f"{what}, %", f"{what}, %", series.products, columns, unit="%"))
    return tables


def separations(series: SeriesPerformance) -> list[Table]:
    """Give for each mineral, component or analyte where it went and how well it was separated."""
    return [_separation(found) for found in series.separations]


def _separation(found: SeparationFigures) -> Table:
    name = found.of if found.size is None else f"{found.of}, {found.size}"
    places = found.products
    columns: list[Filled] = [
        (Column("grade", found.unit), [value_of(p.grade) for p in places]),
        (Column("recovery", "%"), [value_of(p.recovery) for p in places]),
    ]
    if found.pure is None:
        columns.append((Column("times the head"), [value_of(p.enrichment) for p in places]))
    else:
        efficiencies = [p.separation_efficiency for p in places]
        cells = [value_of(e) if e else "" for e in efficiencies]
        columns.append((Column("separation efficiency", "%"), cells))
    columns += [
        (Column("grade so far"), [value_of(p.grade) for p in found.cumulative]),
        (Column("recovery so far"), [value_of(p.recovery) for p in found.cumulative]),
    ]
    return tabled(name, name, [p.product for p in places], columns)


def sentences(series: SeriesPerformance) -> list[str]:
    """Say what the figures of a series say."""
    return [
        *series.statements,
        *(s.statement for s in series.separations if s.size is None),
        *(m.statement for m in series.makeup),
        *(h.statement for h in series.heads),
    ]


def care(reply: BalanceReply) -> list[str]:
    """Say what needs care."""
    found = reply.care
    if found is None:
        return []
    said = [s.statement for s in found.radioactivity]
    return said + [f"{c.topic[0].upper()}{c.topic[1:]}: {c.text}" for c in found.cautions]
