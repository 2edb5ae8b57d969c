"""Solve a planned reconciliation for given values: the starts, and which of their optima counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from .descent import Case, case_of, starting_set
from .kernel.budget import Budget
from .kernel.limits import (
    DISREGARDED,
    FURTHER_STARTS,
    MOST_SUSPECTS,
    PLAIN_STEPS,
    REAL_FALL,
    SAME_FIT,
    SAME_OBJECTIVE,
    SAME_PLACE,
    SMALLEST_WEIGHT,
)
from .kernel.losses import HUBER_LIMIT, Loss
from .options import Options, Robust
from .solution import Solution
from .start import (
    StartError,
    resplit,
)

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats
    from .plan import Plan


_START_SEED = 1
"""Any seed does; a fixed one makes the same request give the same bytes."""


def _better(one: Solution | None, other: Solution | None) -> Solution | None:
    """
    Give the converged one, or the one with the lower objective; the first where they agree.

    One that ran away well below the other's objective shows that there is no optimum, and is kept.
    """
    if one is None or other is None:
        return one or other
    far = len(one.boundless) > 0, len(other.boundless) > 0
    if far[0] != far[1]:
        sound, astray = (other, one) if far[0] else (one, other)
        fall = sound.cost - astray.cost
        return astray if fall > REAL_FALL or not sound.optimum.converged else sound
    if one.optimum.converged != other.optimum.converged:
        return one if one.optimum.converged else other
    gap = (one.cost - other.cost) / (1 + other.cost)
    apart = int(one.emptied.sum()) - int(other.emptied.sum())
    if apart and abs(gap) <= SAME_OBJECTIVE:
        # Of two as good, the one that needs fewer streams to be empty.
        return other if gap > SAME_FIT or (apart > 0 and gap > -SAME_FIT) else one
    return other if gap > SAME_OBJECTIVE else one


def _is_plain(solution: Solution) -> bool:
    """Say whether nothing hints at a second optimum: quick, masses read, no bound in the way."""
    optimum, plan = solution.optimum, solution.plan
    if not optimum.converged or optimum.iterations > PLAIN_STEPS or len(plan.gauges):
        return False
    binding = optimum.binding
    at_work = (solution.emptied | binding.lower).any() or binding.within.any()
    return not at_work or bool(is_clear(plan, solution.cost))


def is_clear(plan: Plan, cost: float | Floats) -> Bools:
    """
    Say of costs whether they leave no room for a second optimum although bounds are at work.

    Flows are settled, beside which what is left is all but linear, and the readings fit as well as
    their errors lead one to expect.
    """
    return np.asarray(plan.settles_flows & (np.asarray(cost) <= len(plan.keys)))


def _least_squares(case: Case, empty: Bools) -> Solution:
    """Give the best optimum that the starts lead to."""
    met: list[Floats] = []
    best, trouble = case.attempt(case.first.point, empty, passes=True, met=met)
    if best is not None and (_is_plain(best) or not case.options.further_starts):
        return best
    for at, passes in further_starts(case, best):
        # Where masses were read and there is an optimum, this is a second opinion.
        second = best is not None and best.optimum.converged and not len(case.plan.gauges)
        told = met if second else None
        other, _ = case.attempt(at, empty, passes=passes, second=second, met=told)
        best = _better(best, other)
    if best is None:
        raise trouble or StartError("no start led anywhere")
    return best


def _other_optimum(best: Solution, other: Solution) -> Solution | None:
    """Give the other one if it is another optimum indeed."""
    gap = other.optimum.objective - best.optimum.objective
    apart = np.abs(other.x - best.x) > SAME_PLACE * best.throughput
    same = gap <= SAME_OBJECTIVE * (1 + best.optimum.objective) and not apart.any()
    return None if same or not other.optimum.converged else other


def _robust(case: Case, plain: Solution) -> Solution:
    """
    Go on from least squares with readings that do not fit discounted.

    Huber's loss is convex beside its weights, so least squares is start enough; the bisquare is
    not, and is tried from both (Maronna, Martin and Yohai 2006, 4.4).
    """
    huber = case.with_loss(Loss.HUBER).descend(plain.x, plain.closed)
    if case.options.robust is Robust.HUBER or not huber.optimum.converged:
        return huber
    bisquare = case.with_loss(Loss.BISQUARE)
    starts = [huber, plain, *_without_suspects(case, huber)]
    found = [bisquare.descend(start.x, start.closed) for start in starts]
    found = [one for one in found if one.optimum.converged and _keeps_what_is_known(one)]
    if not found:
        return huber
    best = min(found, key=lambda one: one.optimum.objective)
    others = [other for one in found if (other := _other_optimum(best, one)) is not None]
    second = min(others, key=lambda one: one.optimum.objective, default=None)
    return replace(best, alternative=second)


def _without_suspects(case: Case, huber: Solution) -> Iterator[Solution]:
    """Give least squares without each of the readings that Huber's loss discounts, and pairs."""
    readings = len(case.plan.keys)
    residual = np.abs(huber.residuals[:readings])
    suspects = np.argsort(-residual)[: int(np.sum(residual > HUBER_LIMIT))][:MOST_SUSPECTS]
    sets = [(k,) for k in suspects] + list(combinations(suspects, 2))
    for chosen in sets:
        sds = case.sds.copy()
        sds[list(chosen)] *= DISREGARDED
        try:
            found = replace(case, sds=sds).descend(huber.x, huber.closed)
        except (StartError, np.linalg.LinAlgError):
            continue
        if found.optimum.converged:
            yield found


def _keeps_what_is_known(solution: Solution) -> bool:
    """
    Say whether the readings that still count determine what all of them determine.

    A point where two camps of readings cancel, each discounted entirely, is stationary too: it is
    a maximum between them.
    """
    plan = solution.plan
    weight = solution.losses.of(solution.residuals).weight
    counts = solution.used & plan.telling & (weight > SMALLEST_WEIGHT) | plan.fixed
    return plan.open_directions(counts, solution.closed) <= int(
        plan.structure_with(solution.closed).pins.sum()
    )


def solve(plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget) -> Solution:
    """
    Reconcile one set of values.

    ``values`` and ``sds`` (readings,), in the order of the plan's keys; ``sds`` is zero exactly
    where the plan says fixed.  The objective is not convex: where bounds are at work, convergence
    was slow or nothing was weighed, the cases in which further optima were met, several starts are
    tried and the best is kept.

    Raises
    ------
    Contradiction
        if the fixed values cannot all be true.
    StartError, numpy.linalg.LinAlgError
        if no start could be computed.
    OverBudget
    """
    case = case_of(plan, values, sds, options, budget)
    solution = _least_squares(case, starting_set(case))
    if options.robust is Robust.NONE or not solution.optimum.converged:
        return solution
    return _robust(case, solution)


def further_starts(case: Case, best: Solution | None = None) -> Iterator[tuple[Floats, bool]]:
    """
    Give further points to start from, each with or without the linear passes.

    Each costs a solve, so a large flowsheet gets one more, and only if a stream was emptied or
    the first did not converge.
    """
    plan = case.plan
    if not plan.model.is_small and not len(plan.gauges):
        doubtful = best is None or best.emptied.any() or not best.optimum.converged
        if doubtful and _balances(plan, case.first.point):
            yield case.first.point, False
        return
    if _balances(plan, case.first.point):
        yield case.first.point, False
    shares = [np.ones(plan.model.streams)]
    if len(plan.gauges):
        random = np.random.default_rng(_START_SEED)
        shares += [random.uniform(0.2, 1.0, plan.model.streams) for _ in range(FURTHER_STARTS)]
    for share in shares:
        at = resplit(plan, case.first, share)
        yield at, True
        # Where masses were read, such a start is too far from them to lead anywhere.
        if len(plan.gauges) and _balances(plan, at):
            yield at, False


def _balances(plan: Plan, at: Floats) -> bool:
    """Say whether a point may be started from as it is, without the passes that balance it."""
    at = np.where(plan.model.absent, 0.0, at)
    return bool(plan.model.closes(at[:, None], np.zeros_like(at))[0])
