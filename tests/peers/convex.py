"""
A convex judge: cvxpy states the problems that are quadratic programmes.

Two are: a network of flows without assays, and the components once every mass is fixed.  The
interior-point answer is then polished on its active set, so that it can be compared to
rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import cvxpy as cp
import numpy as np

from .general import Optimum, polish
from .statement import Array, Statement


def flows(statement: Statement) -> Optimum | None:
    """Solve a network without assays: ``min |S (f - y)|²``, ``A f = 0``, ``f >= 0``."""
    if len(statement.flowsheet.components):
        raise ValueError("this judge is for masses alone")
    z = cp.Variable(statement.basis.shape[1])
    x = statement.span @ z
    adjustment = cp.multiply(1 / statement.sd, x[statement.stream] - statement.value)
    cp.Problem(cp.Minimize(cp.sum_squares(adjustment)), [statement.bounds @ z >= 0]).solve(
        solver=cp.CLARABEL
    )
    slack = statement.bounds @ z.value
    return polish(statement, z.value, [int(i) for i in np.flatnonzero(slack < 1e-6)])


@dataclass(frozen=True)
class Parts:
    """
    Component masses (streams, components) under fixed solids, and the sum of squares.

    Evidence of optimality: the ``smallest`` multiplier or slack, and what is left of the
    gradient (``stationarity``), both scaled.
    """

    masses: Array
    objective: float
    smallest: float
    stationarity: float


def parts(statement: Statement, solids: Array) -> Parts:
    """
    Solve the inner problem: components given the solids of every stream.

    Each component is a quadratic programme of its own:
    ``min |S (m / f - y)|²``, ``A m = 0``, ``0 <= m <= f``.
    """
    masses = np.zeros((statement.streams, statement.quantities - 1))
    total, smallest, left = 0.0, np.inf, 0.0
    for c in range(masses.shape[1]):
        chosen = statement.quantity == c + 1
        rows = statement.basis[statement.stream[chosen]]
        weight = 1 / (solids[statement.stream[chosen]] * statement.sd[chosen])
        target = statement.value[chosen] / statement.sd[chosen]
        matrix = rows * weight[:, None]
        w, objective, multiplier, stationarity = _quadratic(matrix, target, statement.basis, solids)
        masses[:, c] = statement.basis @ w
        total, smallest = total + objective, min(smallest, multiplier)
        left = max(left, stationarity)
    return Parts(masses, total, smallest, left)


def _quadratic(
    matrix: Array, target: Array, basis: Array, solids: Array
) -> tuple[Array, float, float, float]:
    """
    Minimise ``|M w - t|²`` over ``0 <= B w <= f``.

    The optimiser's answer names the active bounds to start from; then bounds are added and
    released one at a time until every multiplier has the right sign.
    """
    scale = 1.0 / np.linalg.norm(matrix, 2) if matrix.size else float(np.max(solids))
    w = cp.Variable(basis.shape[1])
    programme = cp.Problem(
        cp.Minimize(cp.sum_squares((scale * matrix) @ w - target)),
        [basis @ w >= 0, basis @ w <= solids / scale],
    )
    programme.solve(solver=cp.CLARABEL)
    rows = np.vstack([basis, -basis])
    limits = np.concatenate([np.zeros(len(solids)), -solids / scale])
    slack = rows @ w.value - limits
    dual = np.concatenate([c.dual_value for c in programme.constraints])
    active = [int(i) for i in np.flatnonzero(dual > slack)]
    for _ in range(10 * len(limits)):
        point, multipliers, left = _held(scale * matrix, target, rows, limits, active)
        slack = rows @ point - limits
        if np.min(multipliers, initial=0.0) < -1e-10:
            active.pop(int(np.argmin(multipliers)))
        elif np.min(slack) < -1e-10:
            active.append(int(np.argmin(slack)))
        else:
            break
    objective = float(np.sum((scale * matrix @ point - target) ** 2))
    smallest = min(float(np.min(multipliers, initial=np.inf)), float(np.min(slack)))
    return scale * point, objective, smallest, left


def _held(
    matrix: Array, target: Array, rows: Array, limits: Array, active: list[int]
) -> tuple[Array, Array, float]:
    """Solve least squares with the active rows as equations, by the KKT system."""
    size, held = matrix.shape[1], rows[active]
    system = np.block([[matrix.T @ matrix, -held.T], [held, np.zeros((len(active),) * 2)]])
    rhs = np.concatenate([matrix.T @ target, limits[active]])
    solution = np.linalg.lstsq(system, rhs, rcond=1e-13)[0]
    point, multipliers = solution[:size], solution[size:]
    gradient = matrix.T @ (matrix @ point - target) - held.T @ multipliers
    return point, multipliers, float(np.max(np.abs(gradient), initial=0.0))
