"""Plans for detection: which readings raise the least power to find a bias of any reading."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from reconcile.kernel.limits import LEVERAGE_TOLERANCE

from .goals import Power, needed_noncentrality, power_of
from .outlook import Outlook
from .questions import Check, Detection, Method
from .relaxation import greatest_least_noncentrality
from .telling import Chosen, searcher_of, told

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats, Ints

    from .asking import Asking
    from .questions import SamplingPlan
    from .search import Searcher


def for_detection(asking: Asking, detection: Detection) -> SamplingPlan:
    """Give the plan that raises the least power to find a bias of any reading tested."""
    tested = asking.tested(detection)
    sds = np.array([asking.readings[i].sd for i in detection.readings])
    outlook = asking.outlook(tested.gradient)
    size = detection.bias * np.abs(np.nan_to_num(tested.value)) / sds
    goal = _goal(asking, detection, size, outlook)
    searcher = searcher_of(asking, outlook, goal)
    chosen = _chosen(searcher, goal)
    each: list[tuple[float | None, ...]] = [()] * outlook.prospects
    plan = told(asking, searcher, chosen, each, lambda _: ())
    nothing = np.zeros(outlook.prospects, dtype=np.int64)
    before = _per_sd(goal, outlook, nothing)
    after = _per_sd(goal, searcher.state(chosen.counts), chosen.counts)
    needed = needed_noncentrality(detection.power, goal.critical)
    powers = [power_of(size * per_sd, goal.critical) for per_sd in (before, after)]
    return plan.with_checks(
        tuple(
            Check(
                reading=i,
                bias=float(size[k] * sds[k]),
                before=float(powers[0][k]),
                after=float(powers[1][k]),
                smallest_before=_smallest(needed, before[k], sds[k]),
                smallest_after=_smallest(needed, after[k], sds[k]),
            )
            for k, i in enumerate(detection.readings)
        )
    )


def critical_value(level: float, tests: int) -> float:
    """Give the two-sided critical value of each of several tests (Šidák 1967)."""
    return float(norm.isf((1 - (1 - level) ** (1 / tests)) / 2))


def _goal(asking: Asking, detection: Detection, size: Floats, outlook: Outlook) -> Power:
    of = {i: k for k, i in enumerate(detection.readings)}
    narrowing = [(p.reading, p.narrowed) for p in asking.found]
    improves = [of.get(i, -1) if i is not None and s is not None else -1 for i, s in narrowing]
    extra = [0.0 if s is None else 1 / s**2 - 1 for _, s in narrowing]
    critical = critical_value(detection.level, len(size))
    every = np.ones(len(size), dtype=bool)
    goal = Power(
        size,
        critical,
        np.array(improves, dtype=np.int64),
        np.array(extra),
        every,
        detection.power,
        detection.by_number,
    )
    most = asking.most
    reached = _per_sd(goal, outlook.taking_all(most.astype(np.float64)), most)
    return replace(goal, checkable=(reached > 0) & (size > 0))


def _chosen(searcher: Searcher, goal: Power) -> Chosen:
    nothing = np.zeros(len(searcher.room.costs), dtype=np.int64)
    if not goal.checkable.any():
        return Chosen(nothing, None, Method.EXHAUSTIVE)
    if not searcher.room.allowed(nothing).any():
        here = searcher.precision(nothing)
        return Chosen(
            nothing, float(here.reached) if goal.by_number else here.index, Method.EXHAUSTIVE
        )
    exhaustive = searcher.steps() is not None
    method = Method.EXHAUSTIVE if exhaustive else Method.GREEDY
    counts = searcher.exhaustive() if exhaustive else searcher.heuristic(None)
    if goal.by_number:
        # Whatever the budget, no plan brings more than taking everything does.
        most = searcher.precision(counts if exhaustive else searcher.room.most).reached
        return Chosen(counts, float(most), method)
    if exhaustive:
        return Chosen(counts, searcher.index(counts), method)
    reached = greatest_least_noncentrality(searcher.outlook, searcher.room, goal)
    bound = None if reached is None else 1 - float(power_of(np.array([reached]), goal.critical)[0])
    return Chosen(counts, bound, method)


def _per_sd(goal: Power, state: Outlook, counts: Ints) -> Floats:
    """Give the noncentralities of a bias of one own sd, zero where nothing checks: (readings,)."""
    information = goal.information(counts)
    redundancy = 1 - information * state.figures
    checked = redundancy > LEVERAGE_TOLERANCE
    return np.where(checked, np.sqrt(information * np.maximum(redundancy, 0.0)), 0.0)


def _smallest(needed: float, per_sd: float, sd: float) -> float | None:
    return float(needed / per_sd * sd) if per_sd > 0 else None
