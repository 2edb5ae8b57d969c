"""
A general-purpose judge: scipy.optimize from several starts, then an active-set polish.

Unbounded least squares come first.  A result that keeps every bound is a local optimum of the
bounded problem too.  Otherwise SLSQP with the exact gradient finds which bounds hold, and the
polish minimises on those, adding bounds that would be broken and releasing those whose
multiplier has the wrong sign, until the conditions of Karush, Kuhn and Tucker hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg as sl
import scipy.optimize as so
from numpy.typing import NDArray

from .statement import Array, Statement

SLACK = 1e-10
"""A scaled bound nearer than this counts as reached."""

OPTIMAL = 1e-9
"""Largest rest of the gradient, over the largest column of the derivative, of an optimum."""

TETHER = 1e-5
"""Weight that keeps directions which no reading determines near their start, while fitting."""


@dataclass(frozen=True)
class Optimum:
    """Flows that satisfy the first-order conditions to ``kkt``; the active rows of ``bounds``."""

    flows: Array
    objective: float
    active: tuple[int, ...]
    kkt: float


def _fit(statement: Statement, z: Array, free: Array) -> Array:
    """Minimise over ``z + free w``, without bounds."""
    tether = TETHER * np.eye(free.shape[1])
    fit = so.least_squares(
        lambda w: np.concatenate([statement.residuals(z + free @ w), tether @ w]),
        np.zeros(free.shape[1]),
        jac=lambda w: np.vstack([statement.jacobian(z + free @ w) @ free, tether]),
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
        max_nfev=200,
    )
    return z + free @ fit.x


def _newton(statement: Statement, z: Array, free: Array) -> Array:
    """Sharpen a fit by a few Gauss-Newton steps, kept while the gradient falls."""
    gradient, best = np.inf, z
    for _ in range(20):
        residuals, jacobian = statement.residuals(z), statement.jacobian(z) @ free
        now = float(np.max(np.abs(jacobian.T @ residuals), initial=0.0))
        if not now < gradient:
            return best
        gradient, best = now, z
        z = z - free @ np.linalg.lstsq(jacobian, residuals, rcond=1e-11)[0]
    return best


def _inside(statement: Statement, start: Array, wanted: Array) -> Array:
    """Go from an inner point towards another, stopping short of the first bound."""
    here, there = statement.bounds @ start, statement.bounds @ wanted
    falling = there < here
    room = np.min(here[falling] / (here - there)[falling], initial=1.0 / 0.9)
    return start + 0.9 * room * (wanted - start)


def _slsqp(statement: Statement, z: Array) -> Array:
    """Look for the active bounds, keeping every mass off zero, where no assay is defined."""
    bounds = statement.bounds
    floor = np.zeros(len(bounds))
    floor[: statement.streams] = np.minimum(1e-6, 0.5 * (bounds @ z)[: statement.streams])
    found = so.minimize(
        statement.objective,
        z,
        jac=lambda z: 2 * statement.jacobian(z).T @ statement.residuals(z),
        constraints={"type": "ineq", "fun": lambda z: bounds @ z - floor, "jac": lambda _: bounds},
        method="SLSQP",
        options={"maxiter": 60, "ftol": 1e-9},
    )
    return np.asarray(found.x)


def _free(statement: Statement, active: list[int]) -> Array:
    if not active:
        return np.eye(statement.bounds.shape[1])
    return sl.null_space(statement.bounds[active], rcond=1e-10)


def _multipliers(statement: Statement, z: Array, active: list[int]) -> tuple[Array, float]:
    """Give the multipliers of the active bounds and what of the gradient they leave."""
    jacobian = statement.jacobian(z)
    gradient = jacobian.T @ statement.residuals(z)
    scale = 1.0 + float(np.max(np.linalg.norm(jacobian, axis=0)))
    rows = statement.bounds[active].T
    multipliers, _ = so.nnls(rows, gradient) if active else (np.zeros(0), 0.0)
    left = gradient - (rows @ multipliers if active else 0.0)
    return multipliers, float(np.max(np.abs(left), initial=0.0)) / scale


def polish(statement: Statement, z: Array, active: list[int]) -> Optimum | None:
    """Minimise on the active bounds, changing them one at a time; ``None`` without success."""
    bounds = statement.bounds
    for _ in range(60):
        free = _free(statement, active)
        if active:
            z = z - np.linalg.lstsq(bounds[active], bounds[active] @ z, rcond=None)[0]
        if not np.all(np.isfinite(statement.residuals(z))):
            return None
        trial = _newton(statement, _fit(statement, z, free), free)
        slack = bounds @ trial
        broken = np.flatnonzero(slack < -SLACK)
        if broken.size:
            here = np.maximum(bounds @ z, 0.0)
            steps = here[broken] / (here[broken] - slack[broken])
            first = int(np.argmin(steps))
            z = z + steps[first] * (trial - z)
            if int(broken[first]) in active:
                return None
            active = [*active, int(broken[first])]
            continue
        z = trial
        reached = sorted(set(active) | set(np.flatnonzero(slack < SLACK)))
        multipliers, kkt = _multipliers(statement, z, reached)
        if kkt < OPTIMAL:
            return Optimum(statement.flows(z), statement.objective(z), tuple(reached), kkt)
        kept = [row for row, m in zip(reached, multipliers, strict=True) if m > 0]
        if set(kept) == set(active):
            return None
        active = kept
    return None


def unbounded(statement: Statement, start: Array) -> Array:
    """Give the coordinates of the optimum near a start, whatever the bounds say."""
    everything = np.eye(start.size)
    near = _newton(statement, start, everything)
    if _multipliers(statement, near, [])[1] < OPTIMAL:
        return near
    return _newton(statement, _fit(statement, start, everything), everything)


def _allowed(statement: Statement, start: Array, z: Array) -> Optimum:
    """
    Give a point within the bounds, as near to ``z`` as the way from an inner start goes.

    The start itself if that is better.
    """
    here, there = statement.bounds @ start, statement.bounds @ z
    outside = there < 0
    back = float(np.max(there[outside] / (there - here)[outside], initial=0.0))
    point = min((z + back * (start - z), start), key=statement.objective)
    return Optimum(statement.flows(point), statement.objective(point), (), np.inf)


def _from(statement: Statement, start: Array) -> Optimum:
    fit = unbounded(statement, start)
    if np.all(statement.bounds @ fit >= -SLACK):
        polished = polish(statement, fit, [])
        return polished or _allowed(statement, start, fit)
    z = _slsqp(statement, _inside(statement, start, fit))
    if not np.all(np.isfinite(statement.residuals(z))):
        z = start
    slack: NDArray[np.float64] = statement.bounds @ z
    polished = polish(statement, z, [int(i) for i in np.flatnonzero(slack < 1e-7)])
    return polished or _allowed(statement, start, z)


def best_of(statement: Statement, starts: list[Array]) -> Optimum:
    """
    Give the best of what the starts led to.

    Each start must lie strictly within the bounds.  Where the polish fails (a mass runs to zero,
    where assays have no derivative) the point has an infinite ``kkt``: it bounds the optimum from
    above and says nothing about where that is.
    """
    with np.errstate(all="ignore"):
        return min((_from(statement, z) for z in starts), key=lambda found: found.objective)
