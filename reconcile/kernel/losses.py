"""
What a residual costs: squares, robust losses, limits.

A loss is given by the objective's share ``2ρ(e)``, its slope ``ψ = ρ'`` and a curvature that keeps
the Hessian positive: ``ρ''`` where ρ is convex and smooth, ``ψ / e`` (iteratively reweighted least
squares: Holland and Welsch 1977) for the robust ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from .lazy import lazy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

HUBER_LIMIT = 1.345
"""Residual beyond which Huber's loss is linear: 95 % as efficient as squares on normal errors
(Huber 1964; Holland and Welsch 1977)."""

BISQUARE_LIMIT = 4.685
"""Residual beyond which the bisquare counts nothing, at the same efficiency (Beaton and Tukey 1974;
Holland and Welsch 1977)."""

_ROOT_TWO_PI = float(np.sqrt(2 * np.pi))


class Loss(IntEnum):
    """Kinds of loss."""

    SQUARE = 0
    HUBER = 1
    BISQUARE = 2
    BELOW = 3
    """Minus the log of the probability that a reading stays below the value (Tobin 1958)."""
    ABOVE = 4
    AT_LEAST = 5
    """Squares below the value, nothing above it."""


@dataclass(frozen=True)
class Cost:
    """
    The losses at given residuals, each (m,).

    ``twice`` sums to the objective; ``slope`` ψ; ``weight`` the positive curvature that is
    factored; ``curvature`` the true ρ''.
    """

    twice: Floats
    slope: Floats
    weight: Floats
    curvature: Floats

    @lazy
    def objective(self) -> float:
        """The weighted sum of squares, or what stands for it."""
        return float(self.twice.sum())

    def eased(self, caution: float) -> Cost:
        """
        Give the same cost with its weights brought towards the true curvature.

        Weights that bound the loss from above always go downhill, but crawl where most readings
        around are discounted; the true curvature finds the end in a few steps (Madsen and Nielsen
        1990), but may overshoot.  ``caution`` of one keeps the former.
        """
        curved = np.maximum(self.curvature, 0.0)
        return replace(self, weight=curved + caution * (self.weight - curved))


def _huber(e: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    size, k = np.abs(e), HUBER_LIMIT
    inside = size <= k
    twice = np.where(inside, e**2, 2 * k * size - k**2)
    weight = np.where(inside, 1.0, k / np.maximum(size, k))
    return twice, weight * e, weight, inside.astype(float)


def _bisquare(e: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    c = BISQUARE_LIMIT
    inside = np.abs(e) < c
    left = np.where(inside, 1 - (e / c) ** 2, 0.0)
    weight = left**2
    return c**2 / 3 * (1 - left**3), weight * e, weight, left * (left - 4 * (e / c) ** 2)


def _below(e: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    log_tail = log_ndtr(-e)
    hazard = np.exp(-0.5 * e**2 - log_tail) / _ROOT_TWO_PI
    curvature = np.clip(hazard * (hazard - e), 0.0, 1.0)
    return -2 * log_tail, hazard, curvature, curvature


def _at_least(e: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    short = np.minimum(e, 0.0)
    counts = (e < 0).astype(float)
    return short**2, short, counts, counts


def _above(e: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    twice, slope, weight, curvature = _below(-e)
    return twice, -slope, weight, curvature


_FORMS = {
    Loss.HUBER: _huber,
    Loss.BISQUARE: _bisquare,
    Loss.BELOW: _below,
    Loss.ABOVE: _above,
    Loss.AT_LEAST: _at_least,
}


@dataclass(frozen=True)
class Losses:
    """The kind of loss of each reading, (m,)."""

    kind: Ints

    @lazy
    def plain(self) -> bool:
        """Whether all are squares."""
        return not self.kind.any()

    @lazy
    def counted(self) -> Bools:
        """Readings that are numbers rather than limits, so that they count as checks."""
        if self.plain:
            return np.ones(len(self.kind), dtype=bool)
        return np.asarray(self.kind <= Loss.BISQUARE)

    def of(self, residual: Floats) -> Cost:
        """Give the cost of weighted residuals (m,)."""
        one = np.ones_like(residual)
        if self.plain:
            return Cost(residual**2, residual, one, one)
        parts = [residual**2, residual.copy(), one.copy(), one.copy()]
        for kind, form in _FORMS.items():
            here = self.kind == kind
            if here.any():
                for whole, part in zip(parts, form(residual[here]), strict=True):
                    whole[here] = part
        return Cost(*parts)

    def keep(self, chosen: Bools) -> Losses:
        """Give the losses of the readings marked."""
        return replace(self, kind=self.kind[chosen])

    def robust(self, loss: Loss) -> Losses:
        """Give the same losses with squares replaced."""
        return replace(self, kind=np.where(self.kind <= Loss.BISQUARE, loss, self.kind))


def squares(count: int) -> Losses:
    """Give plain least squares."""
    return Losses(np.zeros(count, dtype=np.int64))
