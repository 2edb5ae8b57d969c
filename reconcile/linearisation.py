"""
The linearisation at the solution: what covariance, tests and classes share.

Covariances are those of JCGM 100:2008, 5.1.2 and 5.2.2, for the estimator without its bounds: a
bound that holds sharpens the estimate, not the claim about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .kernel.active_set import Factor, Held
from .kernel.exact import Rows
from .kernel.factory import factory_of, is_small
from .kernel.generic import normal_numbers
from .kernel.lazy import lazy
from .kernel.limits import FAIR_PIVOT, PROBE_TOLERANCE, SURE_PIVOT, VARIANCE_RESOLUTION
from .kernel.losses import Loss
from .kernel.newton import straight_rows
from .kernel.ordered import OrderedFactor
from .kernel.pins import undetermined_on
from .kernel.problem import Problem, Ratios
from .kernel.quotients import told
from .kernel.rows import at_unit_size, largest_in_rows, reciprocal, scale_columns, scale_rows
from .kernel.system import pulled, seen
from .observability import Structure, drawn_on, pushes, structure_of
from .solution import Solution, fixed_rows

if TYPE_CHECKING:
    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Ints
    from .kernel.skeleton import Skeleton


@dataclass(frozen=True)
class Told:
    """
    The readings at a solution, on the plan's pattern and in their sds.

    ``residual`` (m,); by entry their derivative ``rows``, the part of it that is ``own`` to the
    quotients, and what it is ``bent`` by: the divisor's coefficients over the divisor.
    """

    residual: Floats
    rows: Floats
    own: Floats
    bent: Floats


@dataclass(frozen=True)
class Inner:
    """
    The inner problem at a solution: ``factor`` of the weighted derivatives ``rows`` (used, n).

    ``residual`` (used,) are the weighted residuals, those of an order zero; ``row_size`` (e,) what
    each equality was multiplied by.
    """

    factor: Factor
    rows: sp.csr_array
    residual: Floats
    row_size: Floats

    @lazy
    def room(self) -> Floats:
        """One less the leverage of each row, (used,)."""
        return 1 - self.factor.variance(self.rows)


@dataclass(frozen=True)
class Linearisation:
    """Factor and classes at one solution; it lives for one calculation."""

    solution: Solution

    @property
    def _budget(self) -> Budget:
        return self.solution.plan.budget

    @lazy
    def _unscaled(self) -> Problem:
        solution = self.solution
        plan = solution.plan
        kept = plan.meaningful(solution.closed)
        balances, target = plan.model.exact, np.zeros(plan.model.exact_rows.height)
        if plan.fixed.any():
            rows, further = fixed_rows(plan, solution.values, kept & plan.fixed)
            balances = sp.csr_array(sp.vstack((balances, rows)))
            target = np.concatenate((target, further))
        return Problem(
            balances,
            target,
            plan.ratios.keep(solution.used),
            solution.values[solution.used],
            solution.sds[solution.used],
            np.full(plan.model.size, -np.inf),
            sp.csr_array((0, plan.model.size)),
            plan.model.places,
            solution.losses.keep(solution.used),
        )

    @lazy
    def _problem(self) -> Problem:
        return self._unscaled.scaled(self.solution.scale)

    @lazy
    def _at(self) -> tuple[Floats, Floats, Floats]:
        """Weighted residuals, ratios and denominators of the readings in use."""
        return self._unscaled.residuals(self.solution.x)

    @lazy
    def weights(self) -> Floats:
        """How much each reading in use counts, one for squares: (used,)."""
        if self.solution.losses.plain:
            return np.ones(int(self.solution.used.sum()))
        return self._unscaled.losses.of(self._at[0]).weight

    @lazy
    def statistic(self) -> float:
        """Weighted sum of squares of what counts as a number: readings and prior knowledge."""
        if self._told is not None:
            return float((self._told.residual**2).sum())
        residual = self._at[0]
        return float((residual[self._unscaled.losses.counted] ** 2).sum())

    @lazy
    def _plain_rows(self) -> sp.csr_array:
        """Weighted derivative of the readings in use, as much as each counts."""
        _, ratio, below = self._at
        rows = straight_rows(self._unscaled, self.solution.x, ratio, below)
        # An order that holds the estimate is a bound, and covariances are those without bounds.
        counts = np.where(self._unscaled.losses.kind == Loss.AT_LEAST, 0.0, self.weights)
        return rows if (counts == 1).all() else scale_rows(rows, np.sqrt(counts))

    @lazy
    def _rows(self) -> sp.csr_array:
        """The same in scaled unknowns."""
        return self._scaled(self._plain_rows)

    @lazy
    def structure(self) -> Structure:
        """
        Pins and free moves at the solution itself, where a rank may be lower than in general.

        Only readings that are numbers determine anything; a limit does not.
        """
        throughput = self.solution.throughput
        telling = self._unscaled.losses.counted
        rows = self._plain_rows if telling.all() else self._plain_rows[np.flatnonzero(telling)]
        balances, _ = at_unit_size(scale_columns(self._unscaled.equalities, throughput))
        rows, closed = scale_columns(sp.csr_array(rows), throughput), self.solution.closed
        drawn = None
        if self._skeleton is not None and telling.all():
            drawn = drawn_on(self._skeleton, Rows.of(balances), Rows.of(rows), closed)
        places = self._unscaled.places
        return structure_of(balances, rows, closed, places, self._budget, drawn)

    @lazy
    def _skeleton(self) -> Skeleton | None:
        """The plan's order, where the solution has the plan's pattern."""
        solution = self.solution
        return solution.plan.skeleton_for(solution.closed, int(solution.used.sum()))

    @lazy
    def _factor(self) -> Factor:
        """One of the two factors, in scaled unknowns."""
        pins = self.structure.pins if self._on_order is None else self._on_order[1]
        nothing = np.zeros(len(pins), dtype=bool)
        held = Held(nothing, np.zeros(0, dtype=bool), pins, self.solution.closed)
        return factory_of(self._problem, self._budget, self._skeleton)(held, self._rows)

    @lazy
    def _told(self) -> Told | None:
        """The readings here on the plan's pattern, if all are in use and count by squares."""
        solution = self.solution
        if self._skeleton is None:
            return None
        ratios = solution.plan.ratios
        values = (solution.values, solution.sds, solution.x)
        return Told(*told(ratios.quotients, ratios.beside, *values))

    def _pins_here(self, skeleton: Skeleton, here: Told) -> tuple[Bools, bool]:
        """Give what is undetermined on the plan's order, and whether that is certain."""
        solution, ratios = self.solution, self.solution.plan.ratios
        rows, row = ratios.quotients, ratios.row_of_entry
        squares = (here.rows * solution.throughput[rows.column]) ** 2
        length = np.sqrt(np.bincount(row, squares, ratios.count))
        unit = here.rows * reciprocal(length)[row]
        readings, exact = Rows(rows.start, rows.column, unit), solution.plan.model.exact_rows
        return undetermined_on(skeleton, exact, readings, ~solution.closed)

    @lazy
    def _on_order(self) -> tuple[OrderedFactor, Bools] | None:
        """The factor in the plan's order and in unscaled unknowns, and what is held in it (n,)."""
        skeleton, here, solution = self._skeleton, self._told, self.solution
        if skeleton is None or here is None:
            return None
        rows, exact = solution.plan.ratios.quotients, solution.plan.model.exact_rows
        readings = Rows(rows.start, rows.column, here.rows)
        least = SURE_PIVOT if self.is_small else FAIR_PIVOT

        def with_held(pins: Bools) -> OrderedFactor | None:
            made = OrderedFactor(skeleton, exact, readings, ~(pins | solution.closed), shift=0.0)
            return made if made.least_pivot > least else None

        # Where what is undetermined in general leaves no small pivot, it is all there is here.
        usual = solution.plan.solver_pins(solution.closed)
        found = with_held(usual)
        if found is not None:
            return found, usual
        pins, certain = self._pins_here(skeleton, here)
        if (self.is_small and not certain) or np.array_equal(pins, usual):
            return None
        found = with_held(pins)
        return None if found is None else (found, pins)

    @property
    def ordered(self) -> OrderedFactor | None:
        """
        The factor in the plan's order and in unscaled unknowns.

        ``None`` where the solution has not the plan's pattern, or another factor would be truer.
        """
        return None if self._on_order is None else self._on_order[0]

    @property
    def in_order(self) -> tuple[OrderedFactor, Floats] | None:
        """
        Either factor, if it is in the plan's order, and what unknowns are multiplied by in it (n,).

        The truer one, in scaled unknowns, where :attr:`ordered` would not do.
        """
        if self.ordered is not None:
            return self.ordered, self.ordered.columns
        if self._skeleton is None or not isinstance(self._factor, OrderedFactor):
            return None
        return self._factor, self.solution.scale * self._factor.columns

    @lazy
    def open_moves(self) -> Floats | None:
        """Random moves (n, probes) that nothing sees, per throughput; ``None`` for none."""
        if self._on_order is None:
            return self.structure.moves if self.structure.pins.any() else None
        (factor, pins), throughput = self._on_order, self.solution.throughput[:, None]
        if not pins.any():
            return None
        return np.asarray(factor.pushed(pushes(pins) * throughput) / throughput)

    @property
    def _spreading(self) -> tuple[Factor | OrderedFactor, Floats]:
        """The factor that gives covariances soonest, and the scale of its unknowns (n,)."""
        if self.ordered is not None:
            return self.ordered, np.ones(len(self.solution.x))
        return self._factor, self.solution.scale

    def observable(self, rows: sp.csr_array) -> Bools:
        """Say of each functional (k, n) of the extensive quantities whether it is determined."""
        return self.structure.observable(scale_columns(rows, self.solution.throughput))

    def observable_ratios(
        self, above: sp.csr_array, below: sp.csr_array, partner: Ints, ratio: Floats
    ) -> Bools:
        """Say the same of ``above - ratio · below[partner]`` (k, n), without forming it."""
        throughput = self.solution.throughput
        over, under = (scale_columns(rows, throughput) for rows in (above, below))
        return self.structure.observable_ratios(over, under, partner, ratio)

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the posterior variance of each functional (k, n); meaningless if unobservable."""
        factor, scale = self._spreading
        return factor.variance(scale_columns(rows, scale))

    def ratio_variance(
        self, above: sp.csr_array, below: sp.csr_array, partner: Ints, ratio: Floats
    ) -> Floats:
        """
        Give the variance of ``above - ratio · below`` for rows (k, n).

        ``below`` (l, n) are the distinct denominators and ``partner`` (k,) says which belongs to
        which, so that a denominator that many ratios share costs one solve.
        """
        factor, scale = self._spreading
        over, under = scale_columns(above, scale), scale_columns(below, scale)
        cross = factor.cross(over, under, partner)
        apart = factor.variance(over)
        shared = factor.cross(under, under, np.arange(under.shape[0]))[partner]
        result = apart - 2 * ratio * cross + ratio**2 * shared
        return np.where(result > VARIANCE_RESOLUTION * (apart + ratio**2 * shared), result, 0.0)

    @lazy
    def is_small(self) -> bool:
        """Whether functionals of far-apart unknowns cost no solve of their own."""
        plan = self.solution.plan
        fixed = int(plan.meaningful(self.solution.closed)[plan.fixed].sum())
        return is_small(plan.model.exact_rows.height + fixed, plan.model.size)

    def second_order(self, draws: int, seed: int) -> tuple[Floats, Floats]:
        """
        Give random posterior moves and the same moves bent to second order, each (n, draws).

        A move is ``Σ Jᵀ ε`` with ε standard normal, so its covariance is the posterior one.  Along
        it the residuals bend by ``ε''``, and the estimate follows by ``-½ Σ Jᵀ ε''`` (the curvature
        of Bates and Watts 1980).
        """
        solution = self.solution
        if self._told is not None and self.ordered is not None:
            rows, here = solution.plan.ratios.quotients, self._told
            told = Rows(rows.start, rows.column, here.rows)
            normal = normal_numbers(seed, told.height, draws)
            return self.ordered.bent_moves(told, here.own, here.bent, normal)
        ratios = self._unscaled.ratios
        n, pattern, root = len(solution.x), ratios.quotients, np.sqrt(self.weights)
        _, ratio, below = self._at
        weight = root / self._unscaled.sd
        own = ratios.without_offsets().derivative(solution.x, ratio, below, weight).data
        row, bent = self._plain_rows.data, ratios.below / below[ratios.row_of_entry]
        slope, bend_rows, told = (
            Rows(pattern.start, pattern.column, data) for data in (own, bent, row)
        )
        move = self._spread_soon(pulled(told, normal_numbers(seed, ratios.count, draws), n))
        bend = -2 * seen(slope, move) * seen(bend_rows, move)
        products = ratios.products
        if len(products.row):
            weight = root / self._unscaled.sd / self._at[2]
            extra = products.factor[:, None] * move[products.left] * move[products.right]
            np.add.at(bend, products.row, 2 * extra * weight[products.row][:, None])
        return move, move - self._spread_soon(pulled(told, 0.5 * bend, n))

    def _spread_soon(self, rights: Floats) -> Floats:
        """Give the covariance times each of ``rights`` (n, k), as true as variances need it."""
        if self.ordered is not None:
            return self.ordered.spread_once(rights)
        wide = self.solution.scale[:, None]
        return wide * self._factor.spread(wide * rights)

    def covariance_with(self, columns: Ints) -> Floats:
        """Give the covariance of every unknown with some of them, (n, columns)."""
        rights = np.zeros((len(self.solution.x), len(columns)))
        rights[columns, np.arange(len(columns))] = 1.0
        return self._spread_soon(rights)

    def covariance(self, rows: sp.csr_array) -> Floats:
        """Give the posterior covariance of functionals (k, n) with one another, (k, k)."""
        factor, scale = self._spreading
        rights = scale_columns(rows, scale).toarray().T
        found = rights.T @ factor.spread(rights)
        return np.asarray((found + found.T) / 2)

    def joint_spread(self, rows: sp.csr_array, counting: Bools) -> tuple[Floats, Floats]:
        """
        Give how functionals (k, n) vary together where only ``counting`` (used,) readings inform.

        Two matrices (k, k): the covariance with the pins held, and what the moves that nothing sees
        add to it for each unit of their own variance, which knows no limit.  Whatever is read later
        makes the same of this pair as of any other choice of pins.

        Raises
        ------
        OverBudget
        """
        solution, budget, places = self.solution, self._budget, self._unscaled.places
        plain = self._plain_rows[np.flatnonzero(counting)]
        told = sp.csr_array(plain[np.flatnonzero(self._unscaled.losses.counted[counting])])
        balances = at_unit_size(scale_columns(self._unscaled.equalities, solution.throughput))[0]
        here = scale_columns(told, solution.throughput)
        structure = structure_of(balances, here, solution.closed, places, budget)
        nothing = np.zeros(len(structure.pins), dtype=bool)
        held = Held(nothing, np.zeros(0, dtype=bool), structure.pins, structure.closed)
        factor = factory_of(self._problem, budget)(held, self._scaled(sp.csr_array(plain)))
        rights = self._scaled(rows).toarray().T
        free = structure.null_space(budget)
        moves = np.linalg.qr(free)[0] if free.size else free
        here = scale_columns(rows, solution.throughput)
        moved, size = here @ moves, abs(here) @ np.abs(moves)
        least = np.asarray(abs(here).sum(axis=1))[:, None] * np.abs(moves).max(initial=0.0)
        seen = (np.abs(moved) > PROBE_TOLERANCE * size) & (size > PROBE_TOLERANCE * least)
        moved = np.where(seen, moved, 0.0)
        return rights.T @ factor.spread(rights), moved @ moved.T

    def of_ratios(self, ratios: Ratios) -> tuple[Floats, sp.csr_array]:
        """Give the values of ratios (k,), NaN over nothing, and their gradients (k, n)."""
        x = self.solution.x
        below, above = ratios.denominators(x), ratios.numerators(x)
        sure = below > np.finfo(float).eps * ratios.denominators(self.solution.throughput)
        safe = np.where(sure, below, 1.0)
        value = above / safe
        own = ratios.without_offsets(self.solution.plan.model.first_level)
        gradient = own.derivative(x, value, safe, np.ones(ratios.count))
        value = value + own.offsets(x)
        return np.where(sure, value, np.nan), gradient

    def _scaled(self, rows: sp.csr_array) -> sp.csr_array:
        return scale_columns(rows, self.solution.scale)

    @lazy
    def inner(self) -> Inner:
        """The inner problem in scaled unknowns, for those who ask it other questions."""
        cost = self._unscaled.losses.of(self._at[0])
        kind, root = self._unscaled.losses.kind, np.sqrt(cost.weight)
        pulls = (kind != Loss.AT_LEAST) & (root > 0)
        residual = np.where(pulls, cost.slope / np.where(root > 0, root, 1.0), 0.0)
        sizes = largest_in_rows(self._scaled(self._unscaled.equalities))
        return Inner(self._factor, self._rows, residual, reciprocal(sizes))
