"""What needs care: cautions first, then thorium and uranium by their activity."""

from __future__ import annotations

from service.balances.reply import BalanceReply, NuclideFigure, Standing, StreamActivity
from service.balances.reply import Caution as CautionOf
from service.balances.table.cells import value_of
from service.report.document import (
    Block,
    Caution,
    Cell,
    Column,
    Items,
    Row,
    Table,
    Value,
)

_WHOLE = 100.0


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give the cautions that apply and what they rest on."""
    care = reply.care
    if care is None:
        return ()
    cautions = (Caution(_said(caution)) for caution in care.cautions)
    said = tuple(stream.statement for stream in care.radioactivity)
    known = [s for s in care.radioactivity if _is_followed(s)]
    return (
        *cautions,
        *((Items(said),) if said else ()),
        *((_activities(known),) if known else ()),
        *((Items(tuple(care.sources)),) if known else ()),
    )


def _said(caution: CautionOf) -> str:
    """Give a caution under its topic, unless it begins with that."""
    if caution.text.lower().startswith(caution.topic):
        return caution.text
    return f"{caution.topic[0].upper()}{caution.topic[1:]}. {caution.text}"


def _is_followed(stream: StreamActivity) -> bool:
    return any(nuclide.counted_in for nuclide in stream.nuclides)


def _activities(streams: list[StreamActivity]) -> Table:
    nuclides = [nuclide.nuclide for nuclide in streams[0].nuclides]
    columns = (
        *(Column(nuclide, "Bq/g") for nuclide in nuclides),
        Column("together", "Bq/g"),
        *(Column(_level(standing)) for standing in (streams[0].exemption, streams[0].transport)),
    )
    rows = tuple(
        Row(
            stream.stream,
            (
                *map(_activity, stream.nuclides),
                value_of(stream.together),
                *map(_chance, (stream.exemption, stream.transport)),
            ),
            "",
        )
        for stream in streams
    )
    return Table("Activity of thorium and uranium in the dry solids", "Stream", columns, rows)


def _level(standing: Standing) -> str:
    how = "" if standing.rule == "each nuclide" else ", sum of fractions"
    return f"above {standing.level:g} Bq/g{how}"


def _activity(nuclide: NuclideFigure) -> Cell:
    if not nuclide.counted_in:
        return "not followed"
    if nuclide.below is not None:
        return f"below {Value(nuclide.below).text}"
    return value_of(nuclide.activity)


def _chance(standing: Standing) -> str:
    if standing.chance is None or standing.in_words is None:
        return "not known"
    return f"{standing.in_words} ({_WHOLE * standing.chance:.3g} %)"


def first(reply: BalanceReply) -> str:
    """Name in a sentence the streams that more likely than not pass the level of exemption."""
    care = reply.care
    found = [
        stream.stream
        for stream in (care.radioactivity if care else [])
        if stream.exemption.chance is not None and stream.exemption.chance > _EVEN
    ]
    if care is None or not found:
        return ""
    level = care.radioactivity[0].exemption.level
    names = ", ".join(f"'{name}'" for name in found)
    return (
        f"Mind thorium and uranium: above {level:g} Bq/g is more likely than not in {names}; "
        "see the section on care."
    )


_EVEN = 0.5
