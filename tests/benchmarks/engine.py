"""The engine's parts, called one by one on a survey."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields

import numpy as np

from reconcile import Balance, Options, Outcome, Reading, reconcile_balance
from reconcile.assemble import assembled
from reconcile.kernel.budget import Budget, spending
from reconcile.kernel.ldl import Numeric, Symbolic
from reconcile.kernel.losses import Loss
from reconcile.linearisation import Linearisation
from reconcile.model import keys_of
from reconcile.plan import PLANS, Plan, plan
from reconcile.solution import Solution
from reconcile.solve import solve
from tests.benchmarks.flowsheets import Array, Survey

OPTIONS = Options(time_budget_s=900.0, memory_budget_mb=4000.0)
"""Room for the largest flowsheets."""


class Unsolved(RuntimeError):
    """The engine gave no balance; the message says what it gave."""


@contextmanager
def _spending() -> Iterator[Budget]:
    budget = Budget(OPTIONS.time_budget_s, OPTIONS.memory_budget_mb)
    with spending(budget), np.errstate(all="ignore"):
        yield budget


class Engine:
    """
    The engine made ready for one flowsheet and what is read of it.

    ``readings`` say what is read, as a caller has them: their values play no part.
    """

    def __init__(self, survey: Survey, readings: tuple[Reading, ...] | None = None) -> None:
        self.survey = survey
        sheet = survey.flowsheet
        keys = keys_of(sheet, readings or survey.readings(survey.sd))
        with _spending():
            self.plan = plan(sheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))
            self.ready = self.plan.layout, self.plan.open_pins

    def solve(self, values: Array) -> Solution:
        """
        Solve for values (readings,).

        Raises
        ------
        Unsolved
        """
        with _spending() as budget:
            found = solve(self.plan, values, self.survey.sd, OPTIONS, budget)
        if not found.optimum.converged:
            raise Unsolved(f"not converged in {found.optimum.iterations} steps")
        return found

    def flows(self, solution: Solution) -> Array:
        """Give the flows (streams, quantities) of a solution."""
        return solution.x.reshape(self.survey.truth.shape)


def evidence(solution: Solution, readings: tuple[Reading, ...]) -> Balance:
    """
    Give everything that is said of a solution: classes, deviations, tests, cautions.

    All numbers are worked out.  Its tables give them their names when something is looked up, which
    a caller who needs one table waits for once: :func:`named` is what one waits for who needs all.
    """
    with _spending():
        return assembled(Linearisation(solution), readings, range(len(readings)))


def named(solution: Solution, readings: tuple[Reading, ...]) -> Balance:
    """Give the same with every number in every table under its name, and every reading's."""
    balance = evidence(solution, readings)
    for one in (getattr(balance, field.name) for field in fields(balance)):
        if isinstance(one, Mapping | Sequence):
            len(one)
    return balance


def forget() -> None:
    """Forget every plan kept, so that the next call is a cold one."""
    PLANS.forget()


def whole(survey: Survey, readings: tuple[Reading, ...]) -> Balance:
    """
    Give the balance by the one public call.

    Raises
    ------
    Unsolved
    """
    balance = reconcile_balance(survey.flowsheet, readings, OPTIONS)
    if balance.outcome not in (Outcome.CLOSED, Outcome.CLOSED_WITH_ACTIVE_BOUNDS):
        raise Unsolved(f"{balance.outcome}: {balance.failure and balance.failure.reason}")
    return balance


class Factor:
    """
    One numerical factorisation of the system that a solve steps through: the limit.

    The numbers are invented, quasi-definite like the system's own; the work is set by the pattern.
    """

    def __init__(self, made: Plan) -> None:
        layout = made.layout
        if layout is None:
            raise Unsolved("no compiled road for this statement")
        self.symbolic = Symbolic(layout.matrix_start, layout.matrix_row)
        size = len(layout.matrix_start) - 1
        column = np.repeat(np.arange(size), np.diff(layout.matrix_start))
        row = layout.matrix_row
        data = np.random.default_rng(1).uniform(-0.2, 0.2, len(row))
        total = np.bincount(row, np.abs(data), size) + np.bincount(column, np.abs(data), size)
        sign = np.where(layout.order < made.model.size, 1.0, -1.0)
        self.data = np.where(row == column, (sign * (1.0 + total))[column], data)

    def run(self) -> None:
        """Factorise once."""
        Numeric(self.symbolic, self.data, 0.0, 1.0)
