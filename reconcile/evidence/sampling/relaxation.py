"""
What no plan within the budget can pass: a convex relaxation, and a bound that stands by itself.

Let every prospect be taken to any degree ``w`` between none and all.  The variance of a target is
then that of its best unbiased estimate, ``min_y Σ y_i² / w_i + |t - A'y|²`` over the weights ``y``
given to the further readings, where the last term is the error that the readings at hand leave and
what they leave open must vanish: a second-order cone programme (Sagnol 2011, Journal of Statistical
Planning and Inference 141).

The bound does not hang on how well that was solved.  The goal ``f`` is convex in ``w``, so at any
point ``f(w) ≥ f(v) + f'(v)·(w - v)``, and the least of the right side over all ``w`` within the
budget is a knapsack filled by gain per cost (Dantzig 1957).
"""

from __future__ import annotations

import warnings
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


def relaxed(outlook: Outlook, room: Room) -> Floats | None:
    """
    Give the degrees (prospects,) to which each would be taken, the figures being the targets.

    ``None`` where the solver gives up.
    """
    import cvxpy as cp

    count, targets = outlook.prospects, len(outlook.figures)
    finite, open_ = _root(outlook.finite), _root(outlook.open)
    turned, sizes, _ = np.linalg.svd(
        np.hstack((finite[count:], open_[count:])), full_matrices=False
    )
    few = turned[:, : min(targets, int((sizes > NEGLIGIBLE * sizes.max(initial=0.0)).sum()))]
    given = cp.Variable((count, few.shape[1]))
    degree, spread = cp.Variable(count), cp.Variable(count)
    left = (few.T @ finite[count:]).T - finite[:count].T @ given
    apart = cp.reshape(degree - spread, (1, count), order="C")
    cones = cp.SOC(degree + spread, cp.vstack((2 * given.T, apart)), axis=0)  # y² ≤ w · spread
    limits = [cones, degree >= 0, degree <= room.most, room.costs @ degree <= room.budget]
    if open_.shape[1]:
        limits.append(open_[:count].T @ given == (few.T @ open_[count:]).T)
    problem = cp.Problem(cp.Minimize(cp.sum_squares(left) + cp.sum(spread)), limits)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of an inaccurate answer: the bound vouches for itself
        try:
            problem.solve(solver=cp.CLARABEL)
        except cp.error.SolverError:
            return None
    return None if degree.value is None else fitted(np.asarray(degree.value), room)


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


def least_mean_square(outlook: Outlook, room: Room, degrees: Floats) -> float | None:
    """
    Give what the mean square of the figures cannot pass, from the point ``degrees``.

    ``None`` where a figure is still open there.
    """
    after = outlook.taking_all(np.where(degrees < LEAST_DEGREE, 0.0, degrees))
    if after.open_figures.any():
        return None
    gains = (after.shared**2).sum(axis=1)
    found = after.figures.sum() - gains @ (_fullest(gains, room) - degrees)
    return max(float(found), 0.0) / len(after.figures)


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
