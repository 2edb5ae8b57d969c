"""The answer first: what came out, where the first component went, and whether to trust it."""

from __future__ import annotations

from service.balances.reply import BalanceReply, ProductRecovery, Recovery, StreamBalance
from service.balances.table.cells import named, shown, with_period
from service.balances.table.checks import LIKELY

from . import care

_MOST_PRODUCTS = 3


def sentences(reply: BalanceReply) -> tuple[str, ...]:
    """Give the answer in three sentences, and a fourth where something could hurt."""
    found = (_masses(reply), _component(reply), trust(reply), care.first(reply))
    return tuple(said for said in found if said)


def _leaving(reply: BalanceReply) -> list[StreamBalance]:
    """Give what leaves as a product and has a mass, the heaviest first."""
    leaving = [s for s in reply.streams if s.role == "product" and s.mass.value is not None]
    return sorted(leaving, key=lambda s: -(s.mass.value or 0.0))


def listed(parts: list[str]) -> str:
    """Join parts of a sentence."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _masses(reply: BalanceReply) -> str:
    leaving = _leaving(reply)
    fed = [s for s in reply.streams if s.role == "feed" and s.mass.value]
    if not leaving:
        return "The readings do not say how much of any product there is."
    told = [f"{shown(s.yield_)} % went to '{named(s)}'" for s in leaving[:_MOST_PRODUCTS]]
    rest = len(leaving) - len(told)
    told += [f"the rest to {rest} other product{'s' if rest > 1 else ''}"] if rest else []
    of = "Of what was fed"
    if len(fed) == 1:
        of = f"Of {shown(fed[0].mass)} {fed[0].mass.unit} of dry solids fed"
    return f"{of}, {listed(told)}."


def _best(recovery: Recovery) -> ProductRecovery | None:
    known = [p for p in recovery.products if p.value is not None]
    return max(known, key=lambda p: p.value or 0.0, default=None)


def _component(reply: BalanceReply) -> str:
    """Say where the component went that the request names first."""
    if not reply.recoveries:
        return ""
    recovery = reply.recoveries[0]
    best = _best(recovery)
    if best is None:
        return f"Where the {recovery.component} went, the readings do not say."
    place = (best.product, best.period)
    stream = next((s for s in reply.streams if (s.name, s.period) == place), None)
    said = f"'{with_period(*place)}' took {shown(best)} % of the {recovery.component} that was fed"
    grade = None if stream is None else next(iter(stream.assays), None)
    if grade is None or grade.value is None:
        return f"{said}."
    fed = [s for s in reply.streams if s.role == "feed" and s.assays and s.assays[0].value]
    before = (
        f", where the feed holds {shown(fed[0].assays[0])} {grade.unit}" if len(fed) == 1 else ""
    )
    return f"{said}, and holds {shown(grade)} {grade.unit} of it{before}."


def trust(reply: BalanceReply) -> str:
    """Say whether the readings agree, and what was found if they do not."""
    found = reply.evidence.findings if reply.evidence else []
    if found:
        count = "one thing" if len(found) == 1 else f"{len(found)} things"
        return f"The readings do not agree; {count} stood out, first this: {found[0].statement}"
    test = reply.test
    if test is None or test.degrees_of_freedom == 0:
        return "Nothing checks the readings against each other, so a slip would not show."
    if test.p_value is not None and test.p_value < LIKELY:
        return (
            "The readings agree less well than their stated errors say they should, "
            "though no single one stands out."
        )
    if reply.evidence is None or reply.evidence.global_test is None:
        return "The readings agree with each other about as well as their stated errors say."
    return (
        "The readings agree with each other about as well as their stated errors say, and no "
        "single one stands out as wrong."
    )
