"""What was checked, by what, and what it says: in sentences, whatever they are set in."""

from __future__ import annotations

from reconcile import Knowledge
from service.balances.reply import BalanceReply, RemedySets
from service.kit.figures import p_value, plain, plus_minus

from .cells import sds, what

LIKELY = 0.05
"""A p-value below this is worth a word; the usual level of tests in the trade."""

_MOST_ADJUSTMENTS = 3
_MOST_LISTED = 12
_MOST_SETS = 3
_HALF = 0.5


def closure(reply: BalanceReply) -> list[str]:
    """Say how well the balance closes."""
    worst = max(reply.closure.worst, key=lambda w: w.relative, default=None)
    if worst is None:
        return []
    of = worst.of if worst.size is None else f"{worst.of} in {worst.size}"
    said = (
        f"Every quantity closes to {reply.closure.tolerance:.0e} of its throughput or better; "
        f"worst is {of} at '{worst.node}', {worst.relative:.1e}."
    )
    return [said]


def test(reply: BalanceReply) -> list[str]:
    """Say what the global test says."""
    found = reply.test
    if found is None or found.degrees_of_freedom == 0:
        return ["Nothing checks the readings against each other, so there is no test."]
    figures = (
        f"statistic {found.statistic:.4g}, {found.degrees_of_freedom} degrees of freedom, "
        f"reference: {found.reference}"
    )
    if found.p_value is None:
        return [f"Test of all adjustments together: {figures}."]
    if found.p_value < LIKELY:
        said = "The adjustments are larger than the stated errors allow"
    elif found.p_value > 1 - LIKELY:
        said = "The adjustments are smaller than the stated errors let expect"
    else:
        said = "The adjustments are as large as the stated errors let expect"
    return [f"{said}: {p_value(found.p_value)}; {figures}."]


def bounds(reply: BalanceReply) -> list[str]:
    """Say which bounds hold an estimate."""
    held = {
        "zero": "is held at zero",
        "whole": "is held at the whole of what holds it",
        "order": "is held by the order that was asked for",
    }
    told = [
        f"{b.of if b.size is None else f'{b.of} in {b.size}'} of '{b.stream}' "
        f"{held.get(b.bound, b.bound)}"
        for b in reply.active_bounds
    ]
    return [f"Active bounds: {'; '.join(told)}."] if told else []


def largest(reply: BalanceReply) -> list[str]:
    """Name the largest adjustments."""
    moved = [
        (abs(r.standardised), what(r), r.standardised, r)
        for r in reply.readings
        if r.standardised is not None
    ]
    moved.sort(key=lambda item: (-item[0], item[1]))
    told = [
        f"{name} {plain(r.value or 0)} to {plus_minus(r.reconciled or 0, r.reconciled_sd)} "
        f"{r.unit} ({sds(standardised)})"
        for _, name, standardised, r in moved[:_MOST_ADJUSTMENTS]
    ]
    if not told:
        return []
    return [f"Largest adjustments, in their own standard deviations: {'; '.join(told)}."]


def _first(names: list[str]) -> str:
    rest = len(names) - _MOST_LISTED
    more = f" and {rest} more" if rest > 0 else ""
    return f"{', '.join(names[:_MOST_LISTED])}{more}"


def unchecked(reply: BalanceReply) -> list[str]:
    """Name the readings that nothing checks."""
    names = [what(r) for r in reply.readings if r.class_ is Knowledge.NONREDUNDANT]
    if not names:
        return []
    return [f"Checked by nothing, so a slip would not show: {_first(names)}."]


def discounted(reply: BalanceReply) -> list[str]:
    """Name the readings that a robust fit discounts, and any second optimum."""
    lines = []
    names = [
        f"{what(r)} (weight {r.weight:.2g})"
        for r in reply.readings
        if r.limit is None and r.value is not None and r.weight < _HALF
    ]
    if names:
        lines.append(f"Discounted, since they do not fit: {_first(names)}.")
    second = reply.second_optimum
    if second is not None:
        by_place = {r.pointer: what(r) for r in reply.readings}
        others = [by_place.get(place, place) for place in second.discounted]
        lines.append(
            f"There is a second optimum (objective {second.objective:.4g}), which discounts "
            f"{_first(others) or 'none'}."
        )
    return lines


def remedies(reply: BalanceReply) -> list[str]:
    """Say what to read so that what is unknown becomes known."""
    return [line for remedy in reply.remedies[:_MOST_LISTED] for line in _remedy(remedy)]


def _remedy(remedy: RemedySets) -> list[str]:
    sets = [" and ".join(chosen) for chosen in remedy.readings[:_MOST_SETS]]
    return [f"To know {_first(remedy.unknown)}, read {'; or '.join(sets)}."]
