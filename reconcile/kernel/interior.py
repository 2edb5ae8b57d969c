"""
Inner problem with many bounds at work: a primal-dual interior point method.

Predictor and corrector after Mehrotra (1992; Nocedal and Wright 2006, algorithm 16.4).  A barrier
is nothing but further rows of the readings' kind, one for each bound, so each round is one factor
of the same family.  The end point names the set that holds; the caller polishes it to the digit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .limits import BARRIER_END, BARRIER_ROUNDS, TO_THE_BOUNDARY
from .rows import scale_rows

if TYPE_CHECKING:
    from .active_set import Held, Inner
    from .problem import Bools, Floats, Ints


@dataclass(frozen=True)
class _Bounds:
    """
    All bounds as rows ``rows (k, n) · x ≥ level (k,)``.

    ``single`` and ``alive`` are the unknowns and the rows of ``within`` that they came from.
    """

    rows: sp.csr_array
    level: Floats
    single: Ints
    alive: Ints

    def slack(self, x: Floats) -> Floats:
        return np.asarray(self.rows @ x - self.level)


def _bounds(inner: Inner, held: Held) -> _Bounds:
    problem = inner.problem
    bounded = np.flatnonzero(np.isfinite(problem.lower) & ~held.closed)
    single = sp.csr_array(
        (np.ones(len(bounded)), bounded, np.arange(len(bounded) + 1)),
        shape=(len(bounded), problem.size),
    )
    alive = np.flatnonzero(abs(problem.within) @ (~held.closed).astype(float) > 0)
    within = sp.csr_array(problem.within[alive])
    rows = sp.csr_array(sp.vstack((single, within)))
    level = np.concatenate((problem.lower[bounded], np.zeros(len(alive))))
    return _Bounds(rows, level, bounded, alive)


def _room(value: Floats, change: Floats) -> float:
    """Give the longest share of ``change`` that keeps ``value`` positive, one at most."""
    falling = change < 0
    if not falling.any():
        return 1.0
    return min(1.0, float(TO_THE_BOUNDARY * (value[falling] / -change[falling]).min()))


def interior_point(inner: Inner, held: Held) -> tuple[Floats, Held]:
    """
    Give the point where the inner problem ends, and the set that holds there.

    ``held`` lends its ``closed`` and ``pinned`` parts; pinned unknowns move freely here, towards
    the middle of what the bounds leave them.

    Raises
    ------
    OverBudget
    """
    problem, bounds = inner.problem, _bounds(inner, held)
    none = replace(
        held,
        lower=np.zeros_like(held.lower),
        within=np.zeros_like(held.within),
        pinned=np.zeros_like(held.pinned),
    )
    x = inner.x.copy()
    s = np.maximum(bounds.slack(x), 0.1)
    z = np.full(len(s), max(1.0, float(np.abs(inner.gradient).mean())))
    still = np.zeros(problem.size)
    for _ in range(BARRIER_ROUNDS):
        inner.budget.check()
        gap = bounds.slack(x) - s
        lack = problem.target - problem.equalities @ x
        mu = float(s @ z) / len(s)
        if mu <= BARRIER_END and np.abs(gap).max() <= BARRIER_END and _closed(lack):
            break
        barrier = scale_rows(bounds.rows, np.sqrt(z / s))
        if not np.isfinite(barrier.data).all():
            break
        factor = inner.factory(none, sp.csr_array(sp.vstack((inner.jacobian, barrier))))
        offset = x - inner.x
        slope = inner.gradient + inner.jacobian.T @ (inner.jacobian @ offset)

        def directions(aim: Floats) -> tuple[Floats, Floats, Floats]:
            pull = bounds.rows.T @ (aim / s - z / s * gap)  # noqa: B023
            dx = factor.solve(slope - pull, lack, still).move  # noqa: B023
            ds = bounds.rows @ dx + gap  # noqa: B023
            return dx, ds, aim / s - z - z / s * ds  # noqa: B023

        _, ds, dz = directions(np.zeros(len(s)))
        share = min(_room(s, ds), _room(z, dz))
        after = float((s + share * ds) @ (z + share * dz)) / len(s)
        aim = np.full(len(s), mu * (after / mu) ** 3) - ds * dz
        dx, ds, dz = directions(aim)
        share = min(_room(s, ds), _room(z, dz))
        x, s, z = x + share * dx, s + share * ds, z + share * dz
    return x, _identified(held, bounds, z > s)


def _closed(lack: Floats) -> bool:
    return bool(np.abs(lack).max(initial=0.0) <= BARRIER_END)


def _identified(held: Held, bounds: _Bounds, active: Bools) -> Held:
    """Give the set of the bounds whose multiplier outweighs their slack."""
    lower, within = np.zeros_like(held.lower), np.zeros_like(held.within)
    lower[bounds.single] = active[: len(bounds.single)]
    within[bounds.alive] = active[len(bounds.single) :]
    return replace(held, lower=lower, within=within, pinned=held.pinned & ~lower)
