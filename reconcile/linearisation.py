"""
The linearisation at the solution: what covariance, tests and classes share.

Covariances are those of JCGM 100:2008, 5.1.2 and 5.2.2, for the estimator without its bounds: a
bound that holds sharpens the estimate, not the claim about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .kernel.active_set import Factor, Held
from .kernel.factory import factory_of
from .kernel.newton import straight_rows
from .kernel.problem import Problem
from .observability import Structure, structure_of
from .solve import Solution, fixed_rows

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats


@dataclass(frozen=True)
class Linearisation:
    """Factor and classes at one solution; it lives for one calculation."""

    solution: Solution

    @cached_property
    def _problem(self) -> Problem:
        solution = self.solution
        plan = solution.plan
        kept = plan.meaningful(solution.closed)
        rows, target = fixed_rows(plan, solution.values, kept & plan.fixed)
        balances = sp.csr_array(sp.vstack((plan.model.conservation, rows)))
        return Problem(
            balances,
            np.concatenate((np.zeros(plan.model.conservation.shape[0]), target)),
            plan.ratios.keep(solution.used),
            solution.values[solution.used],
            solution.sds[solution.used],
            np.full(plan.model.size, -np.inf),
            sp.csr_array((0, plan.model.size)),
        ).scaled(solution.scale)

    @cached_property
    def _rows(self) -> sp.csr_array:
        """Weighted derivative of the readings in use, in scaled unknowns."""
        _, ratio, below = self._problem.residuals(self.solution.x / self.solution.scale)
        return straight_rows(self._problem, ratio, below)

    @cached_property
    def structure(self) -> Structure:
        """Pins and free moves at the solution itself, where a rank may be lower than in general."""
        return structure_of(self._problem.equalities, self._rows, self.solution.closed)

    @cached_property
    def _factor(self) -> Factor:
        structure = self.structure
        nothing = np.zeros(len(structure.pins), dtype=bool)
        held = Held(nothing, np.zeros(0, dtype=bool), structure.pins, structure.closed)
        return factory_of(self._problem)(held, self._rows)

    def observable(self, rows: sp.csr_array) -> Bools:
        """Say of each functional (k, n) of the extensive quantities whether it is determined."""
        return self.structure.observable(self._scaled(rows))

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the posterior variance of each functional (k, n); meaningless if unobservable."""
        return self._factor.variance(self._scaled(rows))

    @cached_property
    def leverages(self) -> Floats:
        """Share of each used reading's variance that its reconciled value keeps, shape (used,)."""
        return np.clip(self._factor.variance(self._rows), 0.0, 1.0)

    def _scaled(self, rows: sp.csr_array) -> sp.csr_array:
        return sp.csr_array(rows @ sp.diags_array(self.solution.scale))
