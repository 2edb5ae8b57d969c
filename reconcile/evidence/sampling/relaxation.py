"""
What no plan within the budget can pass: a convex relaxation, and a bound that stands by itself.

Let every prospect be taken to any degree ``w`` between none and all.  The variance of a target is
then that of its best unbiased estimate, ``min_y Σ y_i² / w_i + |t - A'y|²`` over the weights ``y``
given to the further readings, where the last term is the error that the readings at hand leave and
what they leave open must vanish: a second-order cone programme (Sagnol 2011, Journal of Statistical
Planning and Inference 141).

The bound does not hang on how well that was solved.  With any residuals ``r`` and multipliers ``m``
of what is open (its part of t and A being ``u`` and ``U``), weak duality gives

    goal(w) ≥ 2 r·t - r·r + 2 m·u - Σ w_i (a_i·r + U_i·m)²

and the largest sum over all ``w`` within the budget is a knapsack filled by gain per cost (Dantzig
1957).  For the power to find a bias the tangent of the convex goal takes that place.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .goals import Power
from .outlook import Outlook
from .search import Room

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats

NEGLIGIBLE = 1e-13
"""Share of the largest eigenvalue below which a direction of a covariance is rounding."""

LEAST_DEGREE = 1e-7
"""Degree below which a prospect counts as not taken: its weight would drown in rounding."""

ROUNDS = 80
"""Points tried for the bound on the least power; the bound settles to about a percent in 40."""

SHARPNESS = 8.0
"""Power of the mean that stands in for a maximum: large enough to follow it, small enough to
descend."""


def _root(covariance: Floats) -> Floats:
    """Give a root (q, rank) of a covariance (q, q)."""
    sizes, along = np.linalg.eigh(covariance)
    kept = sizes > NEGLIGIBLE * sizes.max(initial=0.0)
    return np.asarray(along[:, kept] * np.sqrt(sizes[kept]))


@dataclass(frozen=True)
class Roots:
    """
    Roots of what is finite and of what is open, of prospects and targets.

    ``known`` (prospects, k) and ``open`` (prospects, l); ``known_targets`` (d, k) and
    ``open_targets`` (d, l), a row for each direction that the targets span: turning them leaves
    the sum of their squares.
    """

    known: Floats
    open: Floats
    known_targets: Floats
    open_targets: Floats
    targets: int

    def prices(self, residuals: Floats, multipliers: Floats) -> Prices:
        """Give what each prospect could gain by any duals (k, d), (l, d)."""
        sure = 2 * (residuals.T * self.known_targets).sum() - (residuals**2).sum()
        sure += 2 * (multipliers.T * self.open_targets).sum()
        gains = ((self.known @ residuals + self.open @ multipliers) ** 2).sum(axis=1)
        return Prices(float(sure), np.asarray(gains), self.targets)


@dataclass(frozen=True)
class Prices:
    """
    What duals say of any plan ``w``: the sum of squares is at least ``sure - gains · w``.

    ``gains`` (prospects,); ``targets`` are how many the mean is taken over.
    """

    sure: float
    gains: Floats
    targets: int

    def mean_square_less(self, gained: float) -> float:
        """Give the bound on the mean square of plans that gain no more than this."""
        return max(self.sure - gained, 0.0) / self.targets

    def least(self, room: Room) -> float:
        """Give what the mean square of no plan within the budget can fall below."""
        return self.mean_square_less(float(self.gains @ _fullest(self.gains, room)))


def roots_of(outlook: Outlook) -> Roots:
    """Give the roots of an outlook whose figures are the targets."""
    count, finite, open_ = outlook.prospects, _root(outlook.finite), _root(outlook.open)
    turned, sizes, _ = np.linalg.svd(
        np.hstack((finite[count:], open_[count:])), full_matrices=False
    )
    few = turned[:, sizes > NEGLIGIBLE * sizes.max(initial=0.0)].T
    known_targets, open_targets = few @ finite[count:], few @ open_[count:]
    return Roots(finite[:count], open_[:count], known_targets, open_targets, len(outlook.figures))


@dataclass(frozen=True)
class Relaxed:
    """The degrees (prospects,) to which each is taken, and the prices that go with them."""

    degrees: Floats
    prices: Prices


def relaxed(outlook: Outlook, room: Room) -> Relaxed | None:
    """
    Relax the choice, the figures being the targets.

    ``None`` where the solver gives up.
    """
    import cvxpy as cp

    roots = roots_of(outlook)
    count, directions = outlook.prospects, len(roots.known_targets)
    given = cp.Variable((count, directions))
    degree, spread = cp.Variable(count), cp.Variable(count)
    cost = cp.sum(spread)
    # The modeller takes no matrix without rows.
    left = closes = None
    if roots.known.shape[1]:
        left = roots.known_targets.T - roots.known.T @ given
        cost += cp.sum_squares(left)
    apart = cp.reshape(degree - spread, (1, count), order="C")
    cones = cp.SOC(degree + spread, cp.vstack((2 * given.T, apart)), axis=0)  # y² ≤ w · spread
    limits = [cones, degree >= 0, degree <= room.most, room.costs @ degree <= room.budget]
    if roots.open.shape[1]:
        closes = roots.open.T @ given == roots.open_targets.T
        limits.append(closes)
    problem = cp.Problem(cp.Minimize(cost), limits)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of an inaccurate answer: the bound vouches for itself
        try:
            problem.solve(solver=cp.CLARABEL)
        except cp.error.SolverError:
            return None
    if degree.value is None:
        return None
    nothing = np.zeros((0, directions))
    residuals = nothing if left is None else np.asarray(left.value)
    multipliers = nothing if closes is None else -0.5 * np.asarray(closes.dual_value)
    prices = roots.prices(residuals, multipliers)
    return Relaxed(fitted(np.asarray(degree.value), room), prices)


def fitted(degrees: Floats, room: Room) -> Floats:
    """Give degrees brought within their limits and the budget."""
    inside = np.clip(degrees, 0.0, room.most)
    inside[inside < LEAST_DEGREE] = 0.0
    spent = float(room.costs @ inside)
    return np.asarray(inside * min(1.0, room.budget / spent)) if spent > 0 else inside


def _fullest(gains: Floats, room: Room) -> Floats:
    """Fill the budget with degrees by gain per cost, (prospects,)."""
    degrees, left = np.zeros(len(gains)), room.budget
    for i in np.argsort(-gains / room.costs, kind="stable"):
        degrees[i] = min(float(room.most[i]), left / room.costs[i])
        left -= degrees[i] * room.costs[i]
        if left <= 0:
            break
    return degrees


def greatest_least_noncentrality(outlook: Outlook, room: Room, goal: Power) -> float | None:
    """
    Give what the least noncentrality over the readings cannot pass.

    The variance of a reading less what the others say of it is convex in the degrees, and its
    inverse is the squared noncentrality for a bias of one.
    """
    chosen = np.flatnonzero(goal.checkable & (goal.size > 0))
    if not len(chosen):
        return None
    whole, most = float(room.costs @ room.most), room.most.astype(np.float64)
    degrees: Floats = most * min(1.0, room.budget / whole)
    best = 0.0
    for k in range(ROUNDS):
        size, slope = _misfits(outlook, goal, degrees)
        size, slope = size[chosen], slope[:, chosen]
        share = (size / size.max()) ** (SHARPNESS - 1)
        share /= share.sum()
        gains = -slope @ share
        towards = _fullest(gains, room)
        best = max(best, float(share @ size - gains @ (towards - degrees)))
        degrees = degrees + 2 / (k + 3) * (towards - degrees)
    return float(np.sqrt(1 / best)) if best > 0 else None


def _misfits(outlook: Outlook, goal: Power, degrees: Floats) -> tuple[Floats, Floats]:
    """
    Give the inverse squared noncentralities and their slopes by the degrees.

    Shapes (readings,) and (prospects, readings).
    """
    after = outlook.taking_all(degrees)
    information = goal.information(degrees)
    redundancy = 1 - information * after.figures
    with np.errstate(divide="ignore", invalid="ignore"):
        size = 1 / (information * redundancy * goal.size**2)
        slope = -((after.shared / redundancy) ** 2) / goal.size**2
        own = -goal.extra[:, None] / information**2 / goal.size**2
    improves = goal.improves[:, None] == np.arange(len(goal.size))
    return size, np.where(improves, own, slope)
