"""What was separated, a table for each mineral or component, and what needs care."""

from __future__ import annotations

from service.balances.reply import BalanceReply, SeparationFigures, SeriesPerformance
from service.kit.plain_table import Column, paragraph, table

from .cells import shown


def performances(reply: BalanceReply) -> list[list[str]]:
    """Give each series: its yields, its separations, and what they say."""
    return [section for series in reply.performance for section in _series(series)]


def _series(series: SeriesPerformance) -> list[list[str]]:
    lone = _head(series)
    return [lone, *(_separation(s) for s in series.separations), _sentences(series)]


def _head(series: SeriesPerformance) -> list[str]:
    lines = paragraph(f"What was separated from {' + '.join(repr(f) for f in series.feed)}")
    for yields in series.yields:
        what = "Yield" if yields.size is None else f"Yield, {yields.size}"
        lines += table(
            series.products,
            [
                Column("alone", [shown(p.alone) for p in yields.products]),
                Column("so far", [shown(p.cumulative) for p in yields.products]),
            ],
            f"{what}, %",
        )
    return lines


def _separation(found: SeparationFigures) -> list[str]:
    name = found.of if found.size is None else f"{found.of}, {found.size}"
    places = found.products
    columns = [
        Column(f"grade, {found.unit}", [shown(p.grade) for p in places]),
        Column("recovery, %", [shown(p.recovery) for p in places]),
    ]
    if found.pure is None:
        columns.append(Column("times the head", [shown(p.enrichment) for p in places]))
    else:
        efficiencies = [p.separation_efficiency for p in places]
        columns.append(
            Column("separation efficiency, %", [shown(e) if e else "" for e in efficiencies])
        )
    columns += [
        Column("grade so far", [shown(p.grade) for p in found.cumulative]),
        Column("recovery so far", [shown(p.recovery) for p in found.cumulative]),
    ]
    return table([p.product for p in places], columns, name)


def _sentences(series: SeriesPerformance) -> list[str]:
    said = [
        *series.statements,
        *(s.statement for s in series.separations if s.size is None),
        *(m.statement for m in series.makeup),
        *(h.statement for h in series.heads),
    ]
    return [line for sentence in said for line in paragraph(sentence, "  ")]


def care(reply: BalanceReply) -> list[str]:
    """Give what needs care."""
    found = reply.care
    if found is None:
        return []
    said = [s.statement for s in found.radioactivity]
    said += [f"{c.topic[0].upper()}{c.topic[1:]}: {c.text}" for c in found.cautions]
    return ["Care:", *(line for one in said for line in paragraph(f"- {one}", "  "))]
