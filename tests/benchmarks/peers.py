"""
General-purpose solvers on the same statement, each given what helps it.

All see unknown flows ``z · truth`` (scaled by the truth, which no user has), ratios as residuals,
linear balances and ``0 <= component <= solids``, and start from the truth.  What depends on no
value is built once and timed apart from the solve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

import casadi as ca
import cvxpy as cp
import numpy as np
import scipy.optimize as so
import scipy.sparse as sp

from tests.benchmarks.flowsheets import Array, Bools, Places, Survey

IPOPT: dict[str, Any] = {
    "print_time": False,
    "calc_lam_p": False,
    "ipopt.print_level": 0,
    "ipopt.sb": "yes",
    "ipopt.tol": 1e-9,
    "ipopt.mu_init": 1e-3,
    "ipopt.max_iter": 300,
    "ipopt.nlp_scaling_method": "none",
}
"""
Exact Hessian is the default.  The scaling is ours: every unknown and balance is of size one.  The
barrier begins low, as fits a start near the optimum: a tenth faster on small flowsheets.
"""

LINEAR = IPOPT | {"ipopt.jac_c_constant": "yes", "ipopt.jac_d_constant": "yes"}
"""The same where all constraints are linear."""


LEAST_SOLIDS = 1e-9
"""What an assay is divided by at least, as a share of the true solids, at SLSQP's trial points."""


@dataclass(frozen=True)
class Answer:
    """Flows (streams, quantities) where a peer ended, and what it says of itself."""

    flows: Array
    good: bool
    said: str


class Peer(Protocol):
    """A solver made ready for one flowsheet and what is read of it."""

    name: ClassVar[str]

    def __init__(self, survey: Survey) -> None:
        """Build all that depends on no value."""

    def solve(self, values: Array, start: Array | None = None) -> Answer:
        """Solve for values (readings,), from flows near a start, or from the truth."""


@dataclass(frozen=True)
class Scaled:
    """Balances and nests of scaled unknowns: ``E z = 0``, ``G z >= 0``, rows of unit size."""

    balances: sp.csr_array
    within: sp.csr_array


def _unit(rows: sp.csr_array) -> sp.csr_array:
    largest = np.asarray(abs(rows).max(axis=1).todense()).ravel()
    return sp.csr_array(sp.diags_array(1 / largest) @ rows)


def scaled(survey: Survey) -> Scaled:
    """Give the linear rows of a survey in units of the truth."""
    streams, kinds = survey.truth.shape
    size = sp.diags_array(survey.truth.ravel())
    balances = sp.kron(survey.incidence, sp.eye_array(kinds), format="csr")
    count = streams * (kinds - 1)
    part = (np.arange(streams)[:, None] * kinds + np.arange(1, kinds)).ravel()
    whole = np.repeat(np.arange(streams) * kinds, kinds - 1)
    where = (np.tile(np.arange(count), 2), np.concatenate((whole, part)))
    data = np.concatenate((np.ones(count), -np.ones(count)))
    within = sp.csr_array((data, where), shape=(count, streams * kinds))
    if not count:
        return Scaled(_unit(sp.csr_array(balances @ size)), sp.csr_array((0, streams * kinds)))
    return Scaled(_unit(sp.csr_array(balances @ size)), _unit(sp.csr_array(within @ size)))


def _columns(survey: Survey) -> tuple[Places, Places, Array, Bools]:
    """Give the unknown above and the one below of every reading, and whether it is an assay."""
    kinds = survey.truth.shape[1]
    above, below = survey.stream * kinds + survey.quantity, survey.stream * kinds
    return above, below, survey.read(survey.truth), survey.quantity > 0


def _start(survey: Survey, start: Array | None) -> Array:
    size = survey.truth.ravel()
    return np.ones(len(size)) if start is None else start.ravel() / size


GOOD = "Solve_Succeeded"
"""What IPOPT says at an optimum."""


def _given(survey: Survey, values: Array) -> Array:
    """Give values and weights; what was not read (NaN) has no weight."""
    read = ~np.isnan(values)
    return np.concatenate((np.where(read, values, 0.0), np.where(read, 1 / survey.sd, 0.0)))


class Amounts:
    """IPOPT through casadi, with the exact Hessian, on amounts: linear balances, ratios read."""

    name: ClassVar[str] = "IPOPT, amounts"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        above, below, typical, assay = _columns(survey)
        z = ca.SX.sym("z", survey.truth.size)
        y, weight = (ca.SX.sym(name, len(survey.sd)) for name in ("y", "weight"))
        solids = ca.DM(assay.astype(float)) * z[below.tolist()] + ca.DM((~assay).astype(float))
        residual = (ca.DM(typical) * z[above.tolist()] / solids - y) * weight
        rows = scaled(survey)
        linear = sp.csc_array(sp.vstack((rows.balances, rows.within)))
        cost = ca.sumsqr(residual)
        given = ca.vertcat(y, weight)
        problem = {"x": z, "p": given, "f": cost, "g": ca.mtimes(_sparse(linear), z)}
        self.solver = ca.nlpsol("peer", "ipopt", problem, LINEAR)
        self.most = np.concatenate(
            (np.zeros(rows.balances.shape[0]), np.full(rows.within.shape[0], np.inf))
        )

    def solve(self, values: Array, start: Array | None = None) -> Answer:
        """Solve for values (readings,)."""
        found = self.solver(
            x0=_start(self.survey, start),
            p=_given(self.survey, values),
            lbx=0.0,
            lbg=0.0,
            ubg=self.most,
        )
        said = self.solver.stats()["return_status"]
        flows = np.array(found["x"]).reshape(self.survey.truth.shape) * self.survey.truth
        return Answer(flows, said == GOOD, said)


class Fractions:
    """IPOPT on masses and mass fractions: bilinear balances, bounds that are boxes."""

    name: ClassVar[str] = "IPOPT, fractions"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.streams, kinds = survey.truth.shape
        self.size = _as_fractions(survey.truth)
        z = ca.SX.sym("z", survey.truth.size)
        y, weight = (ca.SX.sym(name, len(survey.sd)) for name in ("y", "weight"))
        column = (survey.quantity * self.streams + survey.stream).tolist()
        typical = ca.DM(survey.read(survey.truth))
        residual = (typical * z[column] - y) * weight
        parts = [z[k * self.streams : (k + 1) * self.streams] for k in range(kinds)]
        balances = [
            ca.mtimes(_sparse(sp.csc_array(_unit(survey.incidence @ sp.diags_array(size)))), flow)
            for size, flow in zip(
                survey.truth.T, (parts[0], *(parts[0] * part for part in parts[1:])), strict=True
            )
        ]
        cost, given = ca.sumsqr(residual), ca.vertcat(y, weight)
        problem = {"x": z, "p": given, "f": cost, "g": ca.vertcat(*balances)}
        self.solver = ca.nlpsol("peer", "ipopt", problem, IPOPT)
        most = np.column_stack((np.full(self.streams, np.inf), 1 / self.size[:, 1:]))
        self.most = most.T.ravel()

    def solve(self, values: Array, start: Array | None = None) -> Answer:
        """Solve for values (readings,)."""
        z = np.ones(len(self.most))
        if start is not None:
            z = (_as_fractions(start) / self.size).T.ravel()
        given = _given(self.survey, values)
        found = self.solver(x0=z, p=given, lbx=0.0, ubx=self.most, lbg=0.0, ubg=0.0)
        said = self.solver.stats()["return_status"]
        shares = np.array(found["x"]).reshape(-1, self.streams).T * self.size
        flows = np.column_stack((shares[:, :1], shares[:, 1:] * shares[:, :1]))
        return Answer(flows, said == GOOD, said)


def _as_fractions(flows: Array) -> Array:
    """Give masses and mass fractions (streams, quantities); of an empty stream, none."""
    solids = np.where(flows[:, :1] > 0, flows[:, :1], 1.0)
    return np.column_stack((flows[:, :1], flows[:, 1:] / solids))


def _sparse(matrix: sp.csc_array) -> Any:
    pattern = ca.Sparsity(*matrix.shape, matrix.indptr.tolist(), matrix.indices.tolist())
    return ca.DM(pattern, matrix.data)


class Sequential:
    """SciPy's SLSQP with exact gradients; dense, for small flowsheets."""

    name: ClassVar[str] = "SLSQP"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.above, self.below, self.typical, self.assay = _columns(survey)
        rows = scaled(survey)
        self.constraints = [
            _linear(kind, matrix.toarray())
            for kind, matrix in (("eq", rows.balances), ("ineq", rows.within))
            if matrix.shape[0]
        ]

    def _cost(self, z: Array, values: Array) -> tuple[float, Array]:
        # Trial points may leave the bounds by rounding or, on a wild step, altogether.
        solids = np.where(self.assay, np.maximum(z[self.below], LEAST_SOLIDS), 1.0)
        ratio = self.typical * z[self.above] / solids
        residual = (ratio - values) / self.survey.sd
        pull = 2 * residual / self.survey.sd
        slope = np.bincount(self.above, weights=pull * self.typical / solids, minlength=len(z))
        bent = np.where(self.assay, pull * ratio / solids, 0.0)
        slope -= np.bincount(self.below, weights=bent, minlength=len(z))
        return float(residual @ residual), np.asarray(slope, dtype=np.float64)

    def solve(self, values: Array, start: Array | None = None) -> Answer:
        """Solve for values (readings,)."""
        size = self.survey.truth.size
        minimise: Any = so.minimize
        found = minimise(
            self._cost,
            _start(self.survey, start),
            args=(values,),
            jac=True,
            method="SLSQP",
            bounds=[(0.0, None)] * size,
            constraints=self.constraints,
            options={"ftol": 1e-10, "maxiter": 500},
        )
        flows = found.x.reshape(self.survey.truth.shape) * self.survey.truth
        return Answer(flows, bool(found.success), str(found.message))


def _linear(kind: str, rows: Array) -> dict[str, Any]:
    return {"type": kind, "fun": lambda z, *_: rows @ z, "jac": lambda *_: rows}


class Convex:
    """Clarabel through cvxpy, for masses alone, where the statement is a quadratic programme."""

    name: ClassVar[str] = "Clarabel"

    def __init__(self, survey: Survey) -> None:
        if survey.truth.shape[1] > 1:
            raise ValueError("with assays the statement is not convex")
        self.survey = survey
        self.z: Any = cp.Variable(survey.truth.size, nonneg=True)
        self.y: Any = cp.Parameter(len(survey.sd))
        above, _, typical, _ = _columns(survey)
        where = (np.arange(len(above)), above)
        rows = sp.csr_array((typical / survey.sd, where), shape=(len(above), survey.truth.size))
        minimum = cp.Minimize(cp.sum_squares(rows @ self.z - self.y))  # type: ignore[attr-defined]
        balances: Any = scaled(survey).balances
        self.programme: Any = cp.Problem(minimum, [balances @ self.z == 0])
        self.programme.get_problem_data(cp.CLARABEL)

    def solve(self, values: Array, start: Array | None = None) -> Answer:
        """Solve for values (readings,); an interior point takes no start."""
        del start
        self.y.value = values / self.survey.sd
        self.programme.solve(
            solver=cp.CLARABEL, tol_gap_abs=1e-10, tol_gap_rel=1e-10, tol_feas=1e-10
        )
        flows = self.z.value.reshape(self.survey.truth.shape) * self.survey.truth
        return Answer(flows, self.programme.status == cp.OPTIMAL, self.programme.status)
