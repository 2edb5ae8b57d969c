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
from .kernel.factory import factory_of, is_small
from .kernel.limits import VARIANCE_RESOLUTION
from .kernel.newton import straight_rows
from .kernel.problem import Problem
from .kernel.rows import scale_columns
from .observability import Structure, structure_of
from .solve import Solution, fixed_rows

if TYPE_CHECKING:
    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Ints


@dataclass(frozen=True)
class Linearisation:
    """Factor and classes at one solution; it lives for one calculation."""

    solution: Solution

    @property
    def _budget(self) -> Budget:
        return self.solution.plan.budget

    @cached_property
    def _unscaled(self) -> Problem:
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
            plan.model.places,
        )

    @cached_property
    def _problem(self) -> Problem:
        return self._unscaled.scaled(self.solution.scale)

    @cached_property
    def _plain_rows(self) -> sp.csr_array:
        """Weighted derivative of the readings in use."""
        _, ratio, below = self._unscaled.residuals(self.solution.x)
        return straight_rows(self._unscaled, ratio, below)

    @cached_property
    def _rows(self) -> sp.csr_array:
        """Weighted derivative of the readings in use, in scaled unknowns."""
        return self._scaled(self._plain_rows)

    @cached_property
    def structure(self) -> Structure:
        """Pins and free moves at the solution itself, where a rank may be lower than in general."""
        throughput = self.solution.throughput
        return structure_of(
            self._unscaled.scaled(throughput).equalities,
            scale_columns(self._plain_rows, throughput),
            self.solution.closed,
            self._unscaled.places,
            self._budget,
        )

    @cached_property
    def _factor(self) -> Factor:
        structure = self.structure
        nothing = np.zeros(len(structure.pins), dtype=bool)
        held = Held(nothing, np.zeros(0, dtype=bool), structure.pins, structure.closed)
        return factory_of(self._problem, self._budget)(held, self._rows)

    def observable(self, rows: sp.csr_array) -> Bools:
        """Say of each functional (k, n) of the extensive quantities whether it is determined."""
        return self.structure.observable(scale_columns(rows, self.solution.throughput))

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the posterior variance of each functional (k, n); meaningless if unobservable."""
        return self._factor.variance(self._scaled(rows))

    def ratio_variance(
        self, above: sp.csr_array, below: sp.csr_array, partner: Ints, ratio: Floats
    ) -> Floats:
        """
        Give the variance of ``above - ratio · below`` for rows (k, n).

        ``below`` (l, n) are the distinct denominators and ``partner`` (k,) says which belongs to
        which, so that a denominator that many ratios share costs one solve.
        """
        over, under = self._scaled(above), self._scaled(below)
        cross = self._factor.cross(over, under, partner)
        apart = self._factor.variance(over)
        shared = self._factor.cross(under, under, np.arange(under.shape[0]))[partner]
        result = apart - 2 * ratio * cross + ratio**2 * shared
        return np.where(result > VARIANCE_RESOLUTION * (apart + ratio**2 * shared), result, 0.0)

    @cached_property
    def is_small(self) -> bool:
        """Whether functionals of far-apart unknowns cost no solve of their own."""
        return is_small(self._problem.equalities)

    @cached_property
    def leverages(self) -> Floats:
        """Share of each used reading's variance that its reconciled value keeps, shape (used,)."""
        return np.clip(self._factor.variance(self._rows), 0.0, 1.0)

    def _scaled(self, rows: sp.csr_array) -> sp.csr_array:
        return scale_columns(rows, self.solution.scale)
