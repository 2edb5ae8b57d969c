"""
A judge for everything a circuit contains: casadi's IPOPT, an interior point method.

Exact derivatives, several starts.  Huber's loss is written with two further variables that make it
smooth: ``min over t of (e - t)² + 2 k |t|``.  What IPOPT ends at is moved by rounding onto
everything exact and weighed there, so that its objective bounds the optimum from above whatever
IPOPT says of itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import casadi as ca
import numpy as np

from reconcile import SOLIDS, Limit, Reading, Robust
from tests.peers.everything import BISQUARE, HUBER, LARGEST, ROUNDING, Array, Whole

FAR_TAIL, FRACTIONS = 4.0, 80
"""Where the continued fraction of the normal tail takes over (Laplace), and its length."""


def log_normal(t: Any) -> Any:
    """Give ``log Phi(t)`` as a symbol, also far in the tail."""
    z = ca.fmax(-t, FAR_TAIL - 1)
    fraction = z
    for k in range(FRACTIONS, 0, -1):
        fraction = z + k / fraction
    tail = -0.5 * z**2 - 0.5 * math.log(2 * math.pi) - ca.log(fraction)
    middle = ca.log(0.5 * (1 + ca.erf(ca.fmax(t, -FAR_TAIL - 1) / math.sqrt(2))))
    return ca.if_else(t < -FAR_TAIL, tail, middle)


def _bisquare(e: Any) -> Any:
    left = ca.fmax(1 - (e / BISQUARE) ** 2, 0.0)
    return BISQUARE**2 / 3 * (1 - left**3)


@dataclass(frozen=True)
class Optimum:
    """
    Where IPOPT ended: unknowns, objective, and how well the conditions of an optimum hold there.

    The objective is infinite where a constraint is broken, so it bounds the optimum from above.

    ``rest`` is the largest of what is left of the Lagrangian's gradient, of the breach of a
    constraint and of complementarity, in scaled unknowns, the multipliers' size taken out;
    ``boundless`` says that an amount ran towards :data:`LARGEST`.
    """

    x: Array
    objective: float
    rest: float
    boundless: bool
    status: str

    @property
    def converged(self) -> bool:
        """Whether it is an optimum."""
        return self.rest < OPTIMAL


OPTIONS = {
    "print_time": False,
    "show_eval_warnings": False,
    "ipopt.print_level": 0,
    "ipopt.sb": "yes",
    "ipopt.tol": 1e-11,
    "ipopt.constr_viol_tol": 1e-11,
    "ipopt.compl_inf_tol": 1e-11,
    "ipopt.dual_inf_tol": 1e-9,
    "ipopt.mu_target": 0.0,
    "ipopt.bound_relax_factor": 0.0,
    "ipopt.slack_move": 0.0,
    "ipopt.nlp_scaling_method": "none",
    "ipopt.acceptable_tol": 1e-9,
    "ipopt.acceptable_iter": 8,
    "ipopt.max_iter": 600,
    "ipopt.max_cpu_time": 20.0,
}

OPTIMAL = 1e-8
"""Largest rest of an optimum."""


TETHER = 1e-10
"""Weight, per squared throughput, that keeps amounts which nothing determines near where they
started: far below what counts as a difference, and above the barrier's own push at its end."""


class Judge:
    """
    IPOPT made ready for one problem; :meth:`from_` runs it from a start.

    ``around`` are the unknowns near which undetermined ones are kept, by the weight ``tether``.
    """

    def __init__(self, whole: Whole, around: Array, tether: float = TETHER) -> None:
        self.whole = whole
        z = ca.SX.sym("z", whole.unknowns)
        x = [z[i] * float(whole.size[i]) for i in range(whole.unknowns)]
        smooth = [r for r in whole.counted if self._split(r)]
        slack = ca.SX.sym("t", 2 * len(smooth))
        self.slacks = 2 * len(smooth)
        away = (z * whole.size - around) / whole.throughput
        costs = self._costs(x, slack) + tether * ca.dot(away, away)
        orders = self._orders(x)
        self.orders = ca.Function("orders", [z], [ca.vertcat(*orders)])
        equal = whole.equalities
        rows = np.vstack((equal.rows, whole.nests))
        constraints = ca.vertcat(ca.mtimes(ca.DM(rows), z), *orders)
        above = len(whole.nests) + len(orders)
        self.constraint_lower = np.concatenate((equal.right, np.zeros(above)))
        self.constraint_upper = np.concatenate((equal.right, np.full(above, np.inf)))
        lower, upper = whole.limits
        self.lower = np.concatenate((lower, np.zeros(self.slacks)))
        self.upper = np.concatenate((upper, np.full(self.slacks, np.inf)))
        unknowns = ca.vertcat(z, slack)
        problem = {"x": unknowns, "f": costs, "g": constraints}
        self.solver = ca.nlpsol("judge", "ipopt", problem, OPTIONS)
        weight = ca.SX.sym("w", constraints.numel())
        pull = ca.gradient(costs, unknowns) + ca.jtimes(constraints, unknowns, weight, True)
        self.pull = ca.Function("pull", [unknowns, weight], [pull])

    def _split(self, reading: Reading) -> bool:
        return reading.limit is None and self.whole.robust is Robust.HUBER

    def _costs(self, x: list[Any], slack: Any) -> Any:
        whole, total, used = self.whole, 0.0, 0
        for reading in whole.counted:
            e = whole.residual(x, reading)
            if reading.limit is not None:
                total = total - 2 * log_normal(-e if reading.limit is Limit.BELOW else e)
            elif whole.robust is Robust.HUBER:
                up, down = slack[used], slack[used + 1]
                total, used = total + (e - up + down) ** 2 + 2 * HUBER * (up + down), used + 2
            elif whole.robust is Robust.BISQUARE:
                total = total + _bisquare(e)
            else:
                total = total + e**2
        for e in whole.priors(x):
            total = total + e**2
        return total

    def _orders(self, x: list[Any]) -> list[Any]:
        whole, found = self.whole, []
        for order in whole.flowsheet.orders:
            ends = (order.richer, order.than)
            if any((s, q) in whole.empty for s in ends for q in (order.component, SOLIDS)):
                continue
            rich, poor = ((whole.amount[s, order.component], whole.amount[s, SOLIDS]) for s in ends)
            scale = float(whole.size[rich[0]] * whole.size[poor[1]])
            found.append((x[rich[0]] * x[poor[1]] - x[poor[0]] * x[rich[1]]) / scale)
        return found

    def from_(self, x: Array, within: float = math.inf) -> Optimum:
        """
        Run from unknowns ``x``, which need not satisfy anything.

        Those that are numbers are kept ``within`` their own size of where they start; NaN is free.
        """
        whole = self.whole
        z = x / whole.size
        room = np.concatenate((np.nan_to_num(z), np.zeros(self.slacks)))
        width = np.concatenate((np.where(np.isnan(z), np.inf, within), self._open()))
        lower = np.maximum(self.lower, room - width)
        upper = np.maximum(np.minimum(self.upper, room + width), lower)
        z = np.clip(np.where(np.isnan(z), 1.0, z), lower[: x.size], upper[: x.size])
        found = self.solver(
            x0=np.concatenate((z, np.full(self.slacks, 0.1))),
            lbx=lower,
            ubx=upper,
            lbg=self.constraint_lower,
            ubg=self.constraint_upper,
        )
        ended = whole.mended(np.array(found["x"]).ravel()[: x.size])
        amounts = np.abs(ended[: len(whole.amount)])
        return Optimum(
            ended * whole.size,
            whole.objective(ended * whole.size) if self._allowed(ended) else math.inf,
            self._rest(found),
            bool(np.max(amounts) > 1e-2 * LARGEST),
            self.solver.stats()["return_status"],
        )

    def _allowed(self, z: Array) -> bool:
        """Say whether everything exact holds, to rounding of each amount itself."""
        equal = self.whole.equalities
        whole = np.maximum(self.whole.nests, 0.0) @ z
        orders = np.array(self.orders(z)).ravel()
        return bool(
            np.max(np.abs(equal.rows @ z - equal.right)) < ROUNDING
            and np.all(self.whole.nests @ z >= -ROUNDING * whole)
            and np.all(z >= self.lower[: z.size] * (1 - ROUNDING))
            and np.all(orders >= -ROUNDING)
        )

    def _open(self) -> Array:
        return np.full(self.slacks, np.inf)

    def _rest(self, found: dict[str, Any]) -> float:
        """Give the largest rest of the conditions of Karush, Kuhn and Tucker."""
        x, g, on_x, on_g = (np.array(found[k]).ravel() for k in ("x", "g", "lam_x", "lam_g"))
        pull = np.array(self.pull(x, on_g)).ravel() + on_x
        size = 1.0 + max(np.max(np.abs(on_g), initial=0.0), np.max(np.abs(on_x), initial=0.0))
        slack = (
            (x - self.lower, self.upper - x, on_x),
            (g - self.constraint_lower, self.constraint_upper - g, on_g),
        )
        rest = float(np.max(np.abs(pull))) / size
        for below, above, multiplier in slack:
            breach = np.maximum(-np.minimum(below, above), 0.0)
            loose = np.where(multiplier < 0, below, above)
            held = np.minimum(np.abs(multiplier) / size, np.abs(loose))
            rest = max(rest, float(np.max(breach, initial=0.0)), float(np.max(held, initial=0.0)))
        return rest if math.isfinite(rest) else math.inf


def best(found: Sequence[Optimum]) -> Optimum:
    """Give the best of the converged, or of all where none has."""
    converged = [f for f in found if f.converged]
    return min(converged or found, key=lambda f: f.objective)
