"""
Where in a series an instrument went off: cumulative sums, and the likelihood of every start.

With ``u`` the score of an instrument in a shift (signature times residual) and ``I`` its
information (signature squared), ``u / √I`` is standard normal in control: the standardised
adjustment, in its form of greatest power.  A bias of b sd moves its mean by ``b √I``.  Over a
window of shifts twice the log likelihood ratio of a bias of free size is ``(Σ u)² / Σ I``; the
instrument that is really off has the largest expectation of all, by the inequality of Cauchy and
Schwarz, so what smears onto its neighbours is not laid at their door.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from .residuals import UNCHECKED, Residuals

if TYPE_CHECKING:
    from .residuals import Bools, Floats, Ints

SHORTEST = 5
"""Shifts from which a bias is called sustained; fewer are slips, each in its own shift."""

USUAL = 2.0
"""Stated sds within which half of all biases lie beforehand: the scale of a Cauchy distribution."""

COVERED = 0.95
"""Probability of the interval given for a start."""

_ROUNDS = 3  # of choosing start and end in turn; they settle in two


@dataclass(frozen=True)
class Scores:
    """Score and information of every instrument in every shift, each (shifts, instruments)."""

    score: Floats
    information: Floats

    @cached_property
    def standardised(self) -> Floats:
        """Standard normal in control, NaN where nothing was read or checked."""
        seen = self.information > UNCHECKED
        root = np.sqrt(np.where(seen, self.information, 1.0))
        return np.asarray(np.where(seen, self.score / root, np.nan))


def scores_of(residuals: Residuals, signatures: Floats) -> Scores:
    """Give the scores for signatures (kinds, instruments, degrees)."""
    score = np.empty((residuals.shifts, signatures.shape[1]))
    for kind in np.flatnonzero(residuals.counts):
        mine = residuals.of == kind
        score[mine] = residuals.w[mine] @ signatures[kind].T
    square = np.einsum("kgv,kgv->kg", signatures, signatures)
    information = np.where(square > UNCHECKED, square, 0.0)[residuals.of]
    return Scores(np.where(information > 0, score, 0.0), information)


@dataclass(frozen=True)
class Sums:
    """Upper and lower cumulative sums of every instrument, each (shifts, instruments)."""

    upper: Floats
    lower: Floats

    @property
    def peak(self) -> Floats:
        """The highest that either reaches, (instruments,)."""
        return np.asarray(np.maximum(self.upper.max(axis=0), self.lower.max(axis=0)))

    def excursion(self, chart: int) -> tuple[int, int]:
        """Give the shifts between which a chart rose to its peak: from its last zero to the top."""
        high, low = self.upper[:, chart], self.lower[:, chart]
        side = high if high.max() >= low.max() else low
        top = int(side.argmax())
        zeros = np.flatnonzero(side[: top + 1] == 0)
        return (int(zeros[-1]) + 1 if len(zeros) else 0), top

    def first_above(self, limit: float) -> Ints:
        """Give the shift at which each chart alarms, or the number of shifts, (instruments,)."""
        above = (self.upper > limit) | (self.lower > limit)
        return np.asarray(np.where(above.any(axis=0), above.argmax(axis=0), len(above)))


def sums_of(standardised: Floats, allowance: float) -> Sums:
    """Give the cumulative sums of deviates (shifts, instruments); a gap leaves them as they are."""
    upper, lower = np.zeros_like(standardised), np.zeros_like(standardised)
    high = low = np.zeros(standardised.shape[1])
    for t, z in enumerate(standardised):
        seen = ~np.isnan(z)
        high = np.where(seen, np.maximum(0.0, high + z - allowance), high)
        low = np.where(seen, np.maximum(0.0, low - z - allowance), low)
        upper[t], lower[t] = high, low
    return Sums(upper, lower)


def weighed(gain: Floats, information: Floats) -> Floats:
    """
    Give twice the log of the likelihood of a bias of any size, but for a constant.

    ``gain`` and ``information`` are those at the likeliest size b, ``gain = b² information``.  The
    integral over sizes is Laplace's (Kass and Raftery 1995); sizes beforehand have the Cauchy
    distribution of :data:`USUAL`, so that of two that fit alike the smaller bias is likelier, and a
    large one is still possible.
    """
    seen = information > UNCHECKED
    safe = np.where(seen, information, 1.0)
    square = np.where(seen, gain, 0.0) / safe
    less = 2 * np.log1p(square / USUAL**2) + np.log(safe)
    return np.asarray(np.where(seen, gain - less, -np.inf))


@dataclass(frozen=True)
class Windows:
    """
    The window of shifts in which each instrument's bias is likeliest, each (instruments,).

    From ``start`` up to and without ``stop``; ``gain`` is twice the log likelihood ratio and
    ``information`` that about the size.
    """

    start: Ints
    stop: Ints
    gain: Floats
    information: Floats


def _totals(scores: Scores) -> tuple[Floats, Floats, Ints]:
    """Give running totals of score, information and shifts seen, from nothing on."""
    nothing = np.zeros((1, scores.score.shape[1]))
    seen = (scores.information > 0).astype(np.int64)
    return (
        np.concatenate((nothing, np.cumsum(scores.score, axis=0))),
        np.concatenate((nothing, np.cumsum(scores.information, axis=0))),
        np.concatenate((nothing.astype(np.int64), np.cumsum(seen, axis=0))),
    )


def _gain(score: Floats, information: Floats, long: Bools) -> Floats:
    fair = long & (information > 0)
    return np.where(fair, score**2 / np.where(fair, information, 1.0), -np.inf)


def open_windows(scores: Scores, latest: int) -> Windows:
    """Give the likeliest windows that last to the end, and begin at shift ``latest`` or before."""
    u, i, n = _totals(scores)
    early = np.arange(len(scores.score))[:, None] <= latest
    gain = _gain(u[-1] - u[:-1], i[-1] - i[:-1], early & (n[-1] - n[:-1] >= SHORTEST))
    start, every = gain.argmax(axis=0), np.arange(u.shape[1])
    stop = np.full_like(start, len(scores.score))
    return Windows(start, stop, gain.max(axis=0), i[-1] - i[start, every])


def closed_windows(scores: Scores, around: tuple[int, int]) -> Windows:
    """
    Give the likeliest windows that may end before the series does.

    They hold some of the shifts from the first to the second of ``around``.  Start and end are
    chosen in turn, the second shift being the first guess of the end.
    """
    u, i, n = _totals(scores)
    every = np.arange(u.shape[1])
    place = np.arange(len(u))[:, None]
    first, last = around
    stop = np.full(u.shape[1], last + 1)
    for _ in range(_ROUNDS):
        long = (n[stop, every] - n >= SHORTEST) & (place <= last) & (place < stop)
        start = _gain(u[stop, every] - u, i[stop, every] - i, long).argmax(axis=0)
        long = (n - n[start, every] >= SHORTEST) & (place > first) & (place > start)
        gains = _gain(u - u[start, every], i - i[start, every], long)
        stop = gains.argmax(axis=0)
    stop = np.maximum(stop, start + 1)
    return Windows(start, stop, gains.max(axis=0), i[stop, every] - i[start, every])


def profile(scores: Scores, instrument: int, stop: int, *, ramp: bool) -> tuple[Floats, Floats]:
    """
    Give gain and information of every start of one instrument's bias, each (stop,).

    The bias ends before ``stop``.  It is constant, or a ``ramp`` that grows by the same every shift
    and is one in the last: the ``(t + 1 - start) / (stop - start)``-th part of it in shift t.
    """
    u, i = scores.score[:stop, instrument], scores.information[:stop, instrument]
    start, t = np.arange(stop), np.arange(stop) + 1.0

    def from_each(x: Floats) -> Floats:
        return np.asarray(np.cumsum(x[::-1])[::-1])

    score, information = from_each(u), from_each(i)
    if ramp:
        score = from_each(t * u) - start * score
        first = from_each(t * i)
        information = from_each(t * t * i) - 2 * start * first + start**2 * information
        score, information = score / (stop - start), information / (stop - start) ** 2
    long = from_each((i > 0).astype(np.float64)) >= SHORTEST
    return _gain(score, information, long & (information > UNCHECKED)), information


def interval_of_start(gain: Floats, information: Floats) -> tuple[int, int]:
    """
    Give the first and last likely start, at :data:`COVERED`, from a :func:`profile`.

    Every start is as likely beforehand, and every size: the probability of a start is then
    proportional to ``exp(gain / 2) / √I`` (Smith 1975, for a change of mean).
    """
    fair = np.isfinite(gain)
    log = np.where(fair, gain, 0.0) / 2 - np.log(np.where(fair, information, 1.0)) / 2
    chance = np.where(fair, np.exp(log - log[fair].max()), 0.0)
    up_to = np.cumsum(chance) / chance.sum()
    tail = (1 - COVERED) / 2
    return int(np.searchsorted(up_to, tail)), int(np.searchsorted(up_to, 1 - tail))
