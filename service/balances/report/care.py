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
_EVEN = 0.5
_MOST_NAMED = 5


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
    """Name in a sentence the products that more likely than not pass the level of exemption."""
    if reply.care is None:
        return ""
    leaving = {stream.name for stream in reply.streams if stream.role == "product"}
    found = [
        f"'{stream.stream}'"
        for stream in reply.care.radioactivity
        if stream.stream in leaving and (stream.exemption.chance or 0.0) > _EVEN
    ]
    if not found:
        return ""
    level = reply.care.radioactivity[0].exemption.level
    rest = len(found) - _MOST_NAMED
    more = f" and {rest} more" if rest > 0 else ""
    return (
        f"Mind thorium and uranium: above {level:g} Bq/g is more likely than not in "
        f"{', '.join(found[:_MOST_NAMED])}{more}; see the section on care."
    )
