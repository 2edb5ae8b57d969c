"""
Some amounts at the solution, and smooth functions of them with exact derivatives.

Whatever a test engineer asks (a grade, a recovery, a separation efficiency, an activity) is made of
few amounts by sums, differences and quotients.  The amounts carry their joint covariance once; each
figure carries its derivative by them, so its standard deviation (delta method, JCGM 100:2008,
5.2.2), its correlation with others and whether it can be known at all follow by one rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from reconcile.balance import Knowledge, Known
from reconcile.flowsheet import Part, Quantity
from reconcile.kernel.lazy import lazy
from reconcile.kernel.limits import CANCELLING
from reconcile.measurands import Measurand, measurand
from reconcile.rows import measurands_as_ratios

if TYPE_CHECKING:
    from reconcile.flowsheet import Flowsheet
    from reconcile.kernel.problem import Bools, Floats, Ints
    from reconcile.linearisation import Linearisation

_WORKED = 16
"""Matrices of all amounts by all of them that are held at once, at most: the covariance, and the
slopes of the figures made of it."""

_ROUNDING = 1e-13
"""Beside its terms a figure this small is what rounding left of nothing."""


_CERTAIN = 1e-8
"""Beside the sd of its terms an sd this small is what rounding left of nothing, even where the
difference was formed first: a whole less its parts leaves up to some 1e-10."""


def amount_of(flowsheet: Flowsheet, of: Quantity) -> Measurand:
    """
    Give the amount that a word or a part in a size class names; of an analyte, all carried of it.

    Raises ``KeyError`` if the flowsheet has no such quantity.
    """
    if isinstance(of, Part):
        return Measurand(str(of), ((of, 1.0),))
    return replace(measurand(flowsheet, of), below=())


@dataclass(frozen=True)
class Figures:
    """
    Functions of some amounts: ``value`` (k,), ``slope`` (k, amounts), ``defined`` (k,).

    Where a figure is a ratio over nothing it is not defined, and its value and slope mean nothing.
    """

    value: Floats
    slope: Floats
    defined: Bools

    def __add__(self, other: Figures) -> Figures:
        """Give the sums."""
        both = self.defined & other.defined
        return Figures(self.value + other.value, self.slope + other.slope, both)

    def __sub__(self, other: Figures) -> Figures:
        """Give the differences."""
        return self + other.times(-1.0)

    def times(self, factor: float) -> Figures:
        """Give the figures times a number."""
        return Figures(self.value * factor, self.slope * factor, self.defined)

    def over(self, other: Figures, tiny: Floats | float) -> Figures:
        """
        Give the quotients; those over ``tiny`` (k,) or less are not defined.

        Over what is zero only because nothing determines it a quotient is as undetermined, so it
        takes the slope of the denominator.
        """
        sure = other.value > tiny
        below = np.where(sure, other.value, np.inf)
        value = self.value / below
        slope = (self.slope - value[:, None] * other.slope) / below[:, None]
        nothing = np.abs(other.value) <= tiny
        slope = np.where(nothing[:, None], other.slope, slope)
        return Figures(value, slope, self.defined & other.defined & sure)

    def added(self, weights: Floats) -> Figures:
        """Give weighted sums of them, the weights (sums, k)."""
        every = np.array([self.defined[row != 0].all() for row in weights], dtype=bool)
        return Figures(weights @ self.value, weights @ self.slope, every)

    def at(self, chosen: Ints) -> Figures:
        """Give some of them, or one several times."""
        return Figures(self.value[chosen], self.slope[chosen], self.defined[chosen])


@dataclass(frozen=True)
class Amounts:
    """
    Amounts of ``of`` (b,) in streams taken together ``where`` (b,), at a solution.

    ``value`` (b,) with the derivative ``rows`` (b, n) by the unknowns of the balance, and ``tiny``
    (b,), at or below which an amount is none.
    """

    at: Linearisation
    value: Floats
    rows: sp.csr_array
    tiny: Floats

    @lazy
    def _covariance(self) -> Floats:
        """Raises ``OverBudget`` where it would not fit into memory."""
        count, unknowns = self.rows.shape
        budget = self.at.solution.plan.budget
        budget.check()
        budget.reserve(8e-6 * count * (3 * unknowns + _WORKED * count), "a joint covariance")
        return self.at.covariance(self.rows)

    def figures(self, chosen: Sequence[int] | Ints) -> Figures:
        """Give some of the amounts as figures."""
        chosen = np.asarray(chosen, dtype=np.int64)
        slope = np.zeros((len(chosen), len(self.value)))
        slope[np.arange(len(chosen)), chosen] = 1.0
        return Figures(self.value[chosen], slope, np.ones(len(chosen), dtype=bool))

    def settled(self, *every: Figures) -> list[list[Known]]:
        """Give value, sd and class of each figure; what is rounding of its terms is zero."""
        slope = np.vstack([figures.slope for figures in every])
        value = np.concatenate([figures.value for figures in every])
        defined = np.concatenate([figures.defined for figures in every])
        sds = np.sqrt(self._variance(slope))
        terms = np.abs(slope) @ np.abs(self.value)
        values = np.where(np.abs(value) > _ROUNDING * terms, value, 0.0)
        seen = self.at.observable(self._gradients(slope))
        known = map(_known, values.tolist(), sds.tolist(), seen.tolist(), defined.tolist())
        return [list(islice(known, len(figures.value))) for figures in every]

    def covariances(self, one: Figures, other: Figures) -> Floats:
        """Give the covariance of each figure with its partner, (k,)."""
        found = self._between(one.slope, other.slope)
        close = np.flatnonzero(self._cancel(one.slope) | self._cancel(other.slope))
        if len(close):
            both = self._gradients(np.vstack((one.slope[close], other.slope[close])))
            found[close] = np.diagonal(self.at.covariance(both), len(close))
        return found

    def correlations(self, one: Figures, other: Figures) -> list[float | None]:
        """Give the correlation of each figure with its partner; none where one of them is sure."""
        size = np.sqrt(self._variance(one.slope) * self._variance(other.slope))
        real = size > 0
        ratio = self.covariances(one, other) / np.where(real, size, 1.0)
        return [
            float(np.clip(r, -1.0, 1.0)) if sure else None
            for r, sure in zip(ratio, real, strict=True)
        ]

    def _between(self, one: Floats, other: Floats) -> Floats:
        return np.asarray(((one @ self._covariance) * other).sum(axis=1))

    def _gradients(self, slope: Floats) -> sp.csr_array:
        """Give the derivatives of figures by the unknowns of the balance, (k, n)."""
        return sp.csr_array(sp.csr_array(slope) @ self.rows)

    def _terms(self, slope: Floats) -> Floats:
        """Give the sum of squares that the variance of each figure would be without covariances."""
        return np.asarray(slope**2 @ np.maximum(np.diagonal(self._covariance), 0.0))

    def _cancel(self, slope: Floats) -> Bools:
        """Say which variances are too small beside their terms to keep enough digits."""
        return np.asarray(self._between(slope, slope) < CANCELLING * self._terms(slope))

    def _variance(self, slope: Floats) -> Floats:
        """
        Give the variance of each figure; what lies within rounding of its terms is none.

        The grade of next to nothing is far surer than its solids: there the difference is formed
        before it is squared, as the balance forms its own.
        """
        found, terms = self._between(slope, slope), self._terms(slope)
        close = np.flatnonzero(found < CANCELLING * terms)
        if len(close):
            found[close] = self.at.variance(self._gradients(slope[close]))
        return np.where(found > _CERTAIN**2 * terms, found, 0.0)


def _known(value: float, sd: float, seen: bool, defined: bool) -> Known:
    if not seen:
        return Known(None, None, Knowledge.UNOBSERVABLE)
    if not defined:
        return Known(None, None, Knowledge.UNDEFINED)
    return Known(value, sd, Knowledge.OBSERVABLE)


def amounts_of(at: Linearisation, wanted: Sequence[tuple[tuple[str, ...], Measurand]]) -> Amounts:
    """Give amounts, each of a measurand without a denominator in streams taken together."""
    ratios = measurands_as_ratios(at.solution.plan.model, wanted)
    value, rows = at.of_ratios(ratios)
    # Nothing is what rounding leaves of the throughput of the streams concerned.
    tiny = np.finfo(float).eps * np.asarray(abs(rows) @ at.solution.throughput)
    return Amounts(at, value, rows, tiny)
