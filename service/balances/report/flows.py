"""The flow drawing: every stream with its mass and grades in words."""

from __future__ import annotations

from collections.abc import Sequence

from service.balances.reply import BalanceReply, StreamBalance
from service.balances.table.cells import shown, value_of
from service.balances.table.streams import tabled
from service.report.document import Block, Chart, Column, Paragraph, Table
from service.report.drawings import Flow, Flows

MOST_DRAWN = 40
"""Streams of the largest flowsheet that is drawn; a larger drawing would be a thicket."""

_MOST_GRADES = 3
_LINE = 46
_WHOLE = 100.0
_OUTSIDE = {
    "feed": "from outside",
    "product": "a product",
    "loss": "lost",
    "gain": "gained",
    "unaccounted": "unaccounted for",
}


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give a drawing for each period, or a table where it would hold too much."""
    periods = list(dict.fromkeys(s.period for s in reply.streams))
    found: list[Block] = []
    for period in periods:
        streams = [s for s in reply.streams if s.period == period]
        caption = "Flowsheet" if period is None else f"Flowsheet, {period}"
        if len(streams) > MOST_DRAWN:
            found += [
                Paragraph(
                    f"{len(streams)} streams are too many for a drawing that can be read, so the "
                    "table says where each comes from and goes to."
                ),
                _table(streams, caption),
            ]
        else:
            found.append(_drawing(streams, caption))
    return tuple(found)


def _drawing(streams: Sequence[StreamBalance], caption: str) -> Chart:
    nodes = dict.fromkeys(n for s in streams for n in (s.from_, s.to) if n is not None)
    components = [assay.component for assay in streams[0].assays]
    some = f" The first {_MOST_GRADES} of {len(components)} components are named."
    return Chart(
        caption=f"{caption}: the wider a line, the more solids; what goes back is drawn in the "
        f"other colour, dashed where it is thin.{some if len(components) > _MOST_GRADES else ''}",
        alternative=f"{len(nodes)} nodes and {len(streams)} streams; the table of figures says "
        "where each stream comes from and goes to, and what it holds.",
        drawing=Flows(tuple(nodes), tuple(_flow(stream) for stream in streams)),
        data=_table(streams, caption),
    )


def _flow(stream: StreamBalance) -> Flow:
    share = stream.yield_.value
    return Flow(
        name=stream.name,
        source=stream.from_,
        target=stream.to,
        share=None if share is None else share / _WHOLE,
        words=tuple(_lines([*_amount(stream), *_grades(stream)])),
    )


def _lines(parts: list[str]) -> list[str]:
    """Put parts together into lines that a narrow screen has room for."""
    lines: list[str] = []
    for part in parts:
        joined = f"{lines[-1]}, {part}" if lines else part
        if lines and len(joined) <= _LINE:
            lines[-1] = joined
        else:
            lines.append(part)
    return lines


def _amount(stream: StreamBalance) -> list[str]:
    if stream.mass.value == 0:
        told = ["no solids"]
    elif stream.mass.value is None:
        told = ["mass unknown"]
    else:
        told = [f"{shown(stream.mass)} {stream.mass.unit or ''}".rstrip()]
        if stream.yield_.value and stream.role != "feed":
            told.append(f"{shown(stream.yield_)} % of the feed")
    if stream.water is not None and stream.water.mass.value:
        told.append(f"water {shown(stream.water.mass)} {stream.water.mass.unit}")
    return [*told, f"on to {stream.to}"] if stream.from_ is not None and stream.to else told


def _grades(stream: StreamBalance) -> list[str]:
    known = [a for a in stream.assays[:_MOST_GRADES] if a.value is not None]
    return [f"{a.component} {shown(a)} {a.unit}" for a in known]


def _table(streams: Sequence[StreamBalance], caption: str) -> Table:
    unit = streams[0].mass.unit
    return tabled(
        caption,
        "Stream",
        [s.name for s in streams],
        [
            (Column("from"), [s.from_ or _OUTSIDE.get(s.role, "outside") for s in streams]),
            (Column("to"), [s.to or _OUTSIDE.get(s.role, "outside") for s in streams]),
            (Column("mass", unit), [value_of(s.mass) for s in streams]),
            (Column("of the feed", "%"), [value_of(s.yield_) for s in streams]),
        ],
    )
