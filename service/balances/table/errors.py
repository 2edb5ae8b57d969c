"""Where errors come from, what readings share, limits: in sentences; counts and contents."""

from __future__ import annotations

from collections import defaultdict

from service.balances.reply import BalanceReply, ReadingResult
from service.kit.figures import plain, plus_minus
from service.report.document import Column, Table

from .cells import adjustment, read, value_of, what
from .streams import tabled

_PLAIN = "stated as"
_MOST_LISTED = 4


def counts(reply: BalanceReply) -> list[Table]:
    """Give each grain count, as counted and as reconciled."""
    return [
        tabled(
            f"C{what(reading).removeprefix('c')}",
            f"C{what(reading).removeprefix('c')}",
            [share.of for share in reading.counts],
            [
                (Column("grains"), [f"{share.count}" for share in reading.counts]),
                (Column("counted", "% of mass"), [value_of(s.counted) for s in reading.counts]),
                (Column("reconciled"), [value_of(s.reconciled) for s in reading.counts]),
            ],
            unit="%",
        )
        for reading in reply.readings
        if reading.counts
    ]


def limits(reply: BalanceReply) -> list[str]:
    """Give the results below or above a limit."""
    signs = {"below": "<", "above": ">"}
    return [
        f"{what(r)} {signs[r.limit]} {plain(r.value or 0)} {r.unit}: {_reconciled(r)}."
        for r in reply.readings
        if r.limit is not None
    ]


def _reconciled(reading: ReadingResult) -> str:
    if reading.reconciled is None:
        return "reconciled unknown"
    return f"reconciled {plus_minus(reading.reconciled, reading.reconciled_sd)}"


def contents(reply: BalanceReply) -> Table | None:
    """Give the contents of minerals that took part in the adjustment."""
    if not reply.contents:
        return None
    return tabled(
        "Contents of minerals",
        "Contents of minerals",
        [f"{c.analyte} in {c.component}, {c.unit}" for c in reply.contents],
        [
            (Column("given"), [read(c) for c in reply.contents]),
            (Column("reconciled"), [value_of(c) for c in reply.contents]),
            (Column("adjustment"), [adjustment(c) for c in reply.contents]),
        ],
        units=[c.unit for c in reply.contents],
    )


def shared(reply: BalanceReply) -> list[str]:
    """Give the errors that readings share."""
    return [shared.statement for shared in reply.shared_errors]


def sources(reply: BalanceReply) -> list[str]:
    """Say where standard deviations came from, unless all were plainly stated."""
    groups: dict[str, list[ReadingResult]] = defaultdict(list)
    for reading in reply.readings:
        groups[reading.sd_from].append(reading)
    told = {origin: readings for origin, readings in groups.items() if not _is_plain(origin)}
    lines = [
        f"{_first(readings)}: {origin}{_sampling(readings)}." for origin, readings in told.items()
    ]
    if told and len(told) < len(groups):
        lines.append("All others: as stated with the reading.")
    return lines


def _is_plain(origin: str) -> bool:
    return origin.startswith(_PLAIN) and ";" not in origin and " by " not in origin


def _first(readings: list[ReadingResult]) -> str:
    names = [what(r) for r in readings]
    rest = len(names) - _MOST_LISTED
    return f"{', '.join(names[:_MOST_LISTED])}{f' and {rest} more' if rest > 0 else ''}"


def _sampling(readings: list[ReadingResult]) -> str:
    """Say what share of the variance is of sampling, where any is known to be."""
    shares = [r.variance.sampling for r in readings]
    if not max(shares):
        return ""
    low, high = f"{min(shares):.0f}", f"{max(shares):.0f}"
    return f" (sampling has {low if low == high else f'{low} to {high}'} % of the variance)"
