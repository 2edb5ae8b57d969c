"""The answer first: what came out, where the first component went, and whether to trust it."""

from __future__ import annotations

from service.balances.reply import (
    BalanceReply,
    ProductRecovery,
    Recovery,
    SeriesPerformance,
    StreamBalance,
)
from service.balances.table.cells import HasValue, named, shown, with_period
from service.balances.table.checks import LIKELY

from . import care

_MOST_PRODUCTS = 3


def sentences(reply: BalanceReply) -> tuple[str, ...]:
    """Give the answer in three sentences, and a fourth where something could hurt."""
    if reply.performance:
        series = reply.performance[0]
        first = (_yields(reply, series), _separated(series))
    else:
        first = (_masses(reply), _component(reply))
    return tuple(said for said in (*first, trust(reply), care.first(reply)) if said)


def listed(parts: list[str]) -> str:
    """Join parts of a sentence."""
    return "".join(parts) if len(parts) <= 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _went(parts: list[tuple[str, HasValue]]) -> str:
    """Say what share went where, the largest first."""
    known = sorted((p for p in parts if p[1].value is not None), key=lambda p: -(p[1].value or 0.0))
    told = [f"{shown(share)} % went to '{name}'" for name, share in known[:_MOST_PRODUCTS]]
    rest = len(known) - len(told)
    told += [f"the rest to {rest} other product{'s' if rest > 1 else ''}"] if rest else []
    return listed(told)


def _of(fed: list[StreamBalance]) -> str:
    """Say of what the shares are."""
    if len(fed) == 1 and fed[0].mass.value:
        return f"Of {shown(fed[0].mass)} {fed[0].mass.unit} of dry solids fed"
    return "Of what was fed"


def _masses(reply: BalanceReply) -> str:
    leaving = [s for s in reply.streams if s.role == "product" and s.mass.value is not None]
    if not leaving:
        return "The readings do not say how much of any product there is."
    fed = [s for s in reply.streams if s.role == "feed" and s.mass.value]
    return f"{_of(fed)}, {_went([(named(s), s.yield_) for s in leaving])}."


def _yields(reply: BalanceReply, series: SeriesPerformance) -> str:
    went = _went([(p.product, p.alone) for p in series.yields[0].products])
    fed = [s for s in reply.streams if s.name in series.feed]
    return f"{_of(fed)}, {went}." if went else "The readings do not say how much went where."


def _separated(series: SeriesPerformance) -> str:
    """Say where the component went that is named first, and how rich it is there."""
    found = next((s for s in series.separations if s.size is None), None)
    if found is None:
        return ""
    known = [p for p in found.products if p.recovery.value is not None]
    best = max(known, key=lambda p: p.recovery.value or 0.0, default=None)
    if best is None:
        return f"Where the {found.of} went, the readings do not say."
    said = f"'{best.product}' took {shown(best.recovery)} % of the {found.of} that was fed"
    if best.grade.value is None:
        return f"{said}."
    said += f", and holds {shown(best.grade)} {found.unit} {found.of}"
    if found.head.value is not None:
        said += f" where the feed holds {shown(found.head)} {found.unit}"
    return f"{said}."


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
        f" where the feed holds {shown(fed[0].assays[0])} {grade.unit}" if len(fed) == 1 else ""
    )
    return f"{said}, and holds {shown(grade)} {grade.unit} {recovery.component}{before}."


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
