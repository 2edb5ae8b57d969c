"""Where errors come from, what readings share, limits and counts."""

from __future__ import annotations

from collections import defaultdict

from service.balances.reply import BalanceReply, ReadingResult
from service.kit.figures import plain, plus_minus
from service.kit.plain_table import Column, paragraph, table

from .cells import adjustment, read, shown, what

_PLAIN = "stated as"
_MOST_LISTED = 4


def counts(reply: BalanceReply) -> list[list[str]]:
    """Give each grain count, as counted and as reconciled."""
    return [
        table(
            [share.of for share in reading.counts],
            [
                Column("grains", [f"{share.count}" for share in reading.counts]),
                Column("counted, % of mass", [shown(share.counted) for share in reading.counts]),
                Column("reconciled", [shown(share.reconciled) for share in reading.counts]),
            ],
            f"C{what(reading).removeprefix('c')}",
        )
        for reading in reply.readings
        if reading.counts
    ]


def limits(reply: BalanceReply) -> list[str]:
    """Give the results below or above a limit."""
    found = [r for r in reply.readings if r.limit is not None]
    signs = {"below": "<", "above": ">"}
    return [
        line
        for r in found
        for line in paragraph(
            f"{what(r)} {signs[r.limit or 'below']} {plain(r.value or 0)} {r.unit}: "
            f"{_reconciled(r)}.",
            "  ",
        )
    ]


def _reconciled(reading: ReadingResult) -> str:
    if reading.reconciled is None:
        return "reconciled unknown"
    return f"reconciled {plus_minus(reading.reconciled, reading.reconciled_sd)}"


def contents(reply: BalanceReply) -> list[str]:
    """Give the contents of minerals that took part in the adjustment."""
    if not reply.contents:
        return []
    return table(
        [f"{c.analyte} in {c.component}, {c.unit}" for c in reply.contents],
        [
            Column("given", [read(c) for c in reply.contents]),
            Column("reconciled", [shown(c) for c in reply.contents]),
            Column("adjustment", [adjustment(c) for c in reply.contents]),
        ],
        "Contents of minerals",
    )


def shared(reply: BalanceReply) -> list[str]:
    """Give the errors that readings share."""
    if not reply.shared_errors:
        return []
    return [
        "Shared errors:",
        *(line for s in reply.shared_errors for line in paragraph(f"- {s.statement}", "  ")),
    ]


def sources(reply: BalanceReply) -> list[str]:
    """Say where standard deviations came from, unless all were plainly stated."""
    groups: dict[str, list[ReadingResult]] = defaultdict(list)
    for reading in reply.readings:
        groups[reading.sd_from].append(reading)
    told = {origin: readings for origin, readings in groups.items() if not _is_plain(origin)}
    lines = ["Standard deviations:"] if told else []
    for origin, readings in told.items():
        lines += paragraph(f"- {_first(readings)}: {origin}{_sampling(readings)}.", "  ")
    if told and len(told) < len(groups):
        lines.append("- All others: as stated with the reading.")
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
