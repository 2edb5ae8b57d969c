"""
How long a cumulative sum chart runs until it alarms: its average, its limit, its chances.

A chart adds up standard normal deviates z less an allowance k, never below zero:
``S = max(0, S + z - k)``, and alarms when S passes the limit h (Page 1954).  The average run length
solves the integral equation of Page (1954) over the value S, here by Gauss-Legendre quadrature
(Nyström's method); iterating the same operator gives the chance of no alarm within n shifts, as
the Markov chain of Brook and Evans (1972) does on a grid.  The closed form of Siegmund (1985) is
the first guess of the limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FEWEST_NODES, NODES_PER_SD = 48, 2.5
"""Points of the quadrature: the kernel is a normal density, wide beside their distance; run lengths
then have more than eight right digits."""

OVERSHOOT = 1.166
"""Mean overshoot of the limit by a normal random walk, both ends: Siegmund (1985), chapter 10."""

LOWEST_LIMIT, HIGHEST_LIMIT = 1e-6, 150.0
"""Limits beyond stand for run lengths that no plant lives to see."""

LARGE = 1e10
"""Beyond this run length rounding rules the linear system, and Siegmund's form is good to 1 %."""


@dataclass(frozen=True)
class Chart:
    """
    One cumulative sum: allowance ``k`` and limit ``h``, both in standard deviations of z.

    It is meant to find a mean of 2k soonest.
    """

    allowance: float
    limit: float

    def average(self, mean: float = 0.0) -> float:
        """Give the average run length from zero, in shifts, where z has this mean (one side)."""
        moved = _kernel(self.allowance, self.limit, mean)
        return float(np.linalg.solve(np.eye(len(moved)) - moved, np.ones(len(moved)))[0])

    def average_of_both(self, mean: float = 0.0) -> float:
        """
        Give the average run length of an upper and a lower chart together.

        Their rates of alarm add (Kemp 1961): when one alarms the other rests at zero.
        """
        return 1 / (1 / self.average(mean) + 1 / self.average(-mean))

    def quiet(self, shifts: int, mean: float = 0.0, before: int = 0) -> Floats:
        """
        Give the chance of no alarm within 1 to ``shifts`` shifts of this mean, (shifts,).

        ``before`` shifts with mean zero went ahead without an alarm.
        """
        still = _kernel(self.allowance, self.limit, 0.0)
        start = np.zeros(len(still))
        start[0] = 1.0
        for _ in range(before):
            start = start @ still
            start /= start.sum()
        moved = _kernel(self.allowance, self.limit, mean)
        chance = np.empty(shifts)
        for n in range(shifts):
            start = start @ moved
            chance[n] = start.sum()
        return chance


@lru_cache(maxsize=256)
def _kernel(allowance: float, limit: float, mean: float) -> Floats:
    """
    Give the chances of going from one value of the sum to another without an alarm.

    The first value is zero itself, where the sum rests; the others are the points of the
    quadrature, weights included: (1 + points, 1 + points).
    """
    count = max(FEWEST_NODES, int(NODES_PER_SD * limit))
    points, weights = np.polynomial.legendre.leggauss(count)
    points, weights = limit * (points + 1) / 2, limit * weights / 2
    now = np.concatenate(([0.0], points))
    drift = mean - allowance
    inside = norm.pdf(points[None, :] - now[:, None] - drift) * weights
    rest = norm.cdf(-now - drift)
    return np.column_stack((rest, inside))


def siegmund(allowance: float, limit: float, mean: float = 0.0) -> float:
    """
    Give Siegmund's approximation of the average run length, one side (Siegmund 1985).

    ``(exp(-2 Δ b) + 2 Δ b - 1) / (2 Δ²)`` with ``Δ = mean - k`` and ``b = h + 1.166``; b² at Δ = 0.
    """
    slope, b = mean - allowance, limit + OVERSHOOT
    if slope == 0:
        return b * b
    return float((np.exp(-2 * slope * b) + 2 * slope * b - 1) / (2 * slope * slope))


@lru_cache(maxsize=256)
def chart_for(average: float, design: float) -> Chart:
    """
    Give the chart that alarms once in ``average`` shifts, both sides together, without a bias.

    ``design`` is the mean of z to be found soonest; the allowance is half of it (Moustakides
    1986: the sum is then the fastest of all with its run length in control).
    """
    allowance = design / 2

    def short_by(limit: float) -> float:
        rough = siegmund(allowance, limit)
        exact = Chart(allowance, limit).average() if rough < LARGE else rough
        return float(np.log(exact) - np.log(2 * average))

    if short_by(LOWEST_LIMIT) > 0:
        return Chart(allowance, LOWEST_LIMIT)
    if short_by(HIGHEST_LIMIT) < 0:
        return Chart(allowance, HIGHEST_LIMIT)
    return Chart(allowance, float(brentq(short_by, LOWEST_LIMIT, HIGHEST_LIMIT, xtol=1e-10)))


def together(average: float, charts: int) -> float:
    """
    Give the run length that each of several charts needs, so that all together have ``average``.

    Their rates of alarm add at most, so the whole runs at least as long.
    """
    return average * max(charts, 1)
