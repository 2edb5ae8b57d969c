"""What an answer is worth, by arithmetic that shares nothing with the solvers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import astuple, dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from tests.benchmarks.flowsheets import Array, Bools, Survey
from tests.benchmarks.peers import Answer, scaled

SAME = 1e-6
"""Objectives nearer than this, relative above one, are the same."""

CLOSED = 1e-9
"""Largest imbalance of a node, and largest breach of a bound, relative to what passes there."""

OPTIMAL = 1e-7
"""Largest rest of the optimality conditions: objectives are compared as well, and far closer."""

EMPTY = 1e-12
"""An amount below this share of its truth is at its bound."""

RIDGE = 1e-14
"""Keeps the normal equations of the multipliers regular where balances repeat each other."""


def _meaning(survey: Survey, values: Array, flows: Array) -> Bools:
    """
    Say which readings count, (readings,): those read, but for assays of an empty stream.

    A trace of solids may have any assay without moving a balance, so the infimum of the objective
    is reached with those assays met.
    """
    empty = flows[:, 0] <= EMPTY * survey.truth[:, 0]
    return ~np.isnan(values) & ~(empty[survey.stream] & (survey.quantity > 0))


def objective(survey: Survey, values: Array, flows: Array) -> float:
    """Give the sum of squared adjustments over their standard deviations."""
    counts = _meaning(survey, values, flows)
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = ((survey.read(flows) - values) / survey.sd)[counts]
    return float(residual @ residual)


def above(one: float, other: float) -> float:
    """Give by how much an objective is above another, relative above one; infinite if no number."""
    gap = (one - other) / (1.0 + abs(other))
    return gap if math.isfinite(gap) else math.inf


def short(survey: Survey, values: Array, answer: Answer, best: float) -> float:
    """Give by how much the engine's objective is above a peer's optimum, zero if that is none."""
    return above(best, objective(survey, values, answer.flows)) if answer.good else 0.0


def agrees(survey: Survey, values: Array, answer: Answer, best: float) -> bool:
    """Say whether a peer came to an optimum as low as the engine's."""
    return answer.good and above(objective(survey, values, answer.flows), best) <= SAME


@dataclass(frozen=True)
class Verdict:
    """
    How well flows meet the statement.

    ``closure`` the largest imbalance over the throughput of its node; ``breach`` the largest breach
    of a bound over the solids; ``kkt`` what is left of the gradient, over its size.
    """

    closure: float
    breach: float
    kkt: float

    @property
    def good(self) -> bool:
        """Whether it is a solution."""
        return self.closure <= CLOSED and self.breach <= CLOSED and self.kkt <= OPTIMAL


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Give the worst of each kind; what is no number stays none."""
    closure, breach, kkt = np.max([astuple(v) for v in verdicts], axis=0).tolist()
    return Verdict(closure, breach, kkt)


def judged(survey: Survey, values: Array, flows: Array) -> Verdict:
    """Judge flows (streams, quantities)."""
    through = abs(survey.incidence) @ np.abs(flows) / 2
    imbalance = np.abs(survey.incidence @ flows) / np.maximum(through, np.finfo(float).tiny)
    solids = np.maximum(flows[:, :1], np.finfo(float).tiny)
    low = np.max(np.maximum(-flows, 0.0) / solids)
    high = np.max(np.maximum(flows[:, 1:] - flows[:, :1], 0.0) / solids, initial=0.0)
    return Verdict(float(imbalance.max()), float(max(low, high)), _rest(survey, values, flows))


def _rest(survey: Survey, values: Array, flows: Array) -> float:
    """
    Give the largest entry of the Lagrangian's gradient, with the multipliers that fit best.

    In units of the truth, over the largest column of the residuals' derivative.  Bounds that are
    touched may push either way: whether they should be let go is told by the peers' objectives.
    """
    kinds = flows.shape[1]
    counts = _meaning(survey, values, flows)
    stream, quantity = survey.stream[counts], survey.quantity[counts]
    top, bottom, sd, values = (
        stream * kinds + quantity,
        stream * kinds,
        survey.sd[counts],
        values[counts],
    )
    typical, assay = survey.read(survey.truth)[counts], quantity > 0
    z = flows.ravel() / survey.truth.ravel()
    solids = np.where(assay, z[bottom], 1.0)
    ratio = typical * z[top] / solids
    rows = np.tile(np.arange(len(top)), 2)
    slopes = np.concatenate((typical / solids, np.where(assay, -ratio / solids, 0.0)))
    slopes /= np.tile(sd, 2)
    shape = (len(top), len(z))
    jacobian = sp.csr_array((slopes, (rows, np.concatenate((top, bottom)))), shape=shape)
    gradient = jacobian.T @ ((ratio - values) / sd)
    linear = scaled(survey)
    touching = linear.within @ z <= EMPTY
    bounds = sp.csr_array(sp.vstack((linear.balances, linear.within[np.flatnonzero(touching)])))
    free = np.flatnonzero(z > EMPTY)
    held = sp.csc_array(bounds[:, free])
    normal = sp.csc_array(held @ held.T + RIDGE * sp.eye_array(held.shape[0]))
    factor, left = splu(normal), gradient[free]
    for _ in range(3):
        left = left - held.T @ factor.solve(held @ left)
    size = 1.0 + np.sqrt(np.max(jacobian.power(2).sum(axis=0)))
    return float(np.max(np.abs(left)) / size)
