"""
Location and scale that one wild value does not rule, after Huber.

Values further than k scales from the location count as if they lay k scales away.  k = 1.5, the
convention of the Analytical Methods Committee (Analyst 114, 1989, 1693; quoted from memory),
keeps 96 % efficiency for normal errors.

A wild value is bounded, not ignored.  With one value in five far out on one side, proposal 2
settles at 1.9 times the scale of the good values and Huber's location with the MAD half a scale
off; the tests take these figures from the normal integral.  So a few replicates of one stream
have no majority to lean on: pool the scale over streams (`robust_pooled_sd`) and give it to
`huber_location`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
from scipy.stats import norm

from .checks import UnusableErrorInput, Values, numbers, positive, sum_of_squares
from .replicates import (
    PAIR,
    Centre,
    Pool,
    degrees_of_freedom,
    differences,
    relative_to_median,
    replicated,
)

HUBER_K = 1.5
"""Scales beyond which a value is pulled in."""

MAD_FACTOR = float(1 / norm.ppf(0.75))
"""1.4826: from the median absolute deviation to the standard deviation of normal errors."""

FEWEST_FOR_PROPOSAL_2 = 5
"""With four values one wild value can pull the scale along as far as it likes: proposal 2 lets
at most 0.778465 (n - 1) of squared scales in, and a wild value brings 2.25 n/(n - 1)."""

FEWEST_FOR_MAD = 3
"""With two values the median is the mean and tells nothing apart."""

TOLERANCE = 1e-12
"""The iteration ends where neither location nor scale moves by more than this share of the scale,
if it has not ended before, by the values pulled in staying the same."""

IMPLODED = 1e-9
"""A scale below this share of the plain standard deviation is zero: most values are identical."""

MOST_ROUNDS = 10_000
"""A few rounds are usual; where nearly as many values are wild as can be borne, hundreds."""


@cache
def consistency(k: float = HUBER_K) -> float:
    """
    Give the mean square of a standard normal value cut off at ±k; 0.778465 for k = 1.5.

    Dividing by it makes the scale that of normal errors.  Huber, Robust Statistics, 1981,
    chapter 6; the closed form follows from the normal integral.
    """
    inside = float(2 * norm.cdf(k) - 1)
    return inside + k**2 * (1 - inside) - 2 * k * float(norm.pdf(k))


def scaled_mad(values: Iterable[float]) -> float:
    """Give 1.4826 times the median absolute deviation from the median, in the values' unit."""
    array = numbers("values", values, at_least=FEWEST_FOR_MAD)
    return MAD_FACTOR * float(np.median(np.abs(array - np.median(array))))


def huber_proposal_2(values: Iterable[float]) -> Centre:
    """
    Give location and scale together: Huber's proposal 2 with k = 1.5 and n - 1.

    Solves ``sum psi(z) = 0`` and ``sum psi(z)² = 0.778465 (n - 1)`` with ``z = (x - location) /
    scale`` and psi cutting off at ±1.5.  Huber, Robust Statistics, 1981, chapter 6; Analytical
    Methods Committee 1989; Venables and Ripley, Modern Applied Statistics with S, chapter 5
    (quoted from memory).  Where values are few the scale of clean ones is too large, by at most
    the 13 % that the constant makes when nothing is cut off.  Where most values are identical it
    is zero.  Raises `UnusableErrorInput` for fewer than five values.
    """
    array = numbers("values", values, at_least=FEWEST_FOR_PROPOSAL_2)
    median = float(np.median(array))
    centred = array - median
    plain = math.sqrt(sum_of_squares(array) / (len(array) - 1))
    at = (0.0, plain)
    for _ in range(MOST_ROUNDS):
        if at[1] <= IMPLODED * plain:
            return Centre(median, 0.0, 0.0, len(array))
        exact, moved = _solved_together(centred, *at), _moved_together(centred, *at)
        if exact is not None or _still(at, moved):
            location, scale = exact or moved
            return _centre(array, median + location, scale)
        at = moved
    raise UnusableErrorInput("values", "The robust scale does not settle; use a pooled sd.")


def huber_location(values: Iterable[float], scale: float | None = None) -> Centre:
    """
    Give Huber's location, k = 1.5, for a known scale, or for the scaled MAD where none is given.

    ``scale`` is the standard deviation of one determination, for instance `Pool.of_one`; with it
    one or two values are allowed, and are averaged, since nothing tells which of two is wild.
    The MAD of few values is itself rough and on average too small (by a third for three values).
    Huber, Robust Statistics, 1981, chapter 6; Venables and Ripley, chapter 5 (quoted from
    memory).  Raises `UnusableErrorInput` for fewer than three values without a scale, and for a
    scale not above zero.
    """
    if scale is None:
        array = numbers("values", values, at_least=FEWEST_FOR_MAD)
        scale = scaled_mad(array)
        if scale == 0:
            return Centre(float(np.median(array)), 0.0, 0.0, len(array))
    else:
        array = numbers("values", values, at_least=1)
        scale = positive("scale", scale)
    if len(array) <= PAIR:
        return Centre(float(array.mean()), scale, scale / math.sqrt(len(array)), len(array))
    return _centre(array, _location(array, scale), scale)


def robust_pooled_sd(streams: Iterable[Sequence[float]], *, relative: bool = False) -> Pool:
    """
    Pool the standard deviation over streams so that wild values do not rule.

    The scale step of proposal 2 on the differences within streams: ``sum w min(d²/2, k² s²) =
    0.778465 s² sum w`` over all pairs of a stream, with ``w = 2/n``.  Without the cut-off this is
    the plain pooled standard deviation; with it, it stays consistent for normal errors however
    few replicates a stream has.  One wild difference in ten raises it by 19 %, however wild; it
    holds while fewer than a third (0.346) of the differences are wild.  Our own joining of the
    two ideas, so no source is claimed; the tests hold it against the normal integral.
    """
    groups = replicated(streams)
    scaled = relative_to_median(groups) if relative else groups
    sd = _cut_off_scale(*differences(scaled))
    return Pool(
        sd,
        relative,
        degrees_of_freedom(groups),
        sum(map(len, groups)),
        len(groups),
        robust=True,
    )


def _sides(centred: Values, location: float, scale: float) -> Values:
    """Give -1, 0 or 1 for values pulled up, left alone, or pulled down."""
    reach = HUBER_K * scale
    return np.sign(centred - np.clip(centred, location - reach, location + reach))


def _solved_together(centred: Values, location: float, scale: float) -> tuple[float, float] | None:
    """
    Solve proposal 2 outright for the values now pulled in; ``None`` unless the same ones stay so.

    With the sides known both equations are closed: ``location = mean inside + k scale excess /
    inside``, with the excess of high over low ones, and a quadratic for the scale.
    """
    sides = _sides(centred, location, scale)
    inside = centred[sides == 0]
    if not len(inside):
        return None
    excess = float(sides.sum())
    cut_off = len(centred) - len(inside) + excess**2 / len(inside)
    room = consistency() * (len(centred) - 1) - HUBER_K**2 * cut_off
    if room <= 0:
        return None
    solved = math.sqrt(sum_of_squares(inside) / room)
    at = float(inside.mean()) + HUBER_K * solved * excess / len(inside)
    return (at, solved) if solved and (sides == _sides(centred, at, solved)).all() else None


def _moved_together(centred: Values, location: float, scale: float) -> tuple[float, float]:
    """Pull values in once and give the mean and the scale of what results."""
    reach = HUBER_K * scale
    pulled = np.clip(centred, location - reach, location + reach)
    variance = sum_of_squares(pulled) / (len(pulled) - 1) / consistency()
    return float(pulled.mean()), math.sqrt(variance)


def _still(at: tuple[float, float], moved: tuple[float, float]) -> bool:
    """Say whether location and scale have stopped moving."""
    return max(abs(moved[0] - at[0]), abs(moved[1] - at[1])) <= TOLERANCE * at[1]


def _location(array: Values, scale: float) -> float:
    """Solve for the location alone, as proposal 2 is solved for both."""
    median = float(np.median(array))
    centred = array - median
    location, reach = 0.0, HUBER_K * scale
    for _ in range(MOST_ROUNDS):
        sides = _sides(centred, location, scale)
        inside = centred[sides == 0]
        if len(inside):
            exact = float(inside.mean()) + reach * float(sides.sum()) / len(inside)
            if (sides == _sides(centred, exact, scale)).all():
                return median + exact
        moved = float(np.clip(centred, location - reach, location + reach).mean())
        if abs(moved - location) <= TOLERANCE * scale:
            return median + moved
        location = moved
    raise UnusableErrorInput("values", "The robust location does not settle; check the scale.")


def _cut_off_scale(squares: Values, weights: Values) -> float:
    """
    Solve ``sum w min(q, k² s²) = beta s² sum w`` for s, exactly.

    With the m smallest q kept whole and the others cut off the equation is linear in s²; the
    left side over s² falls as s grows, so one m fits: the largest that keeps only q within k² s².
    """
    order = np.argsort(squares)
    squares, weights = squares[order], weights[order]
    total = float(weights.sum())
    kept = np.cumsum(weights)
    room = consistency() * total - HUBER_K**2 * (total - kept)
    possible = room > 0
    variance = np.cumsum(weights * squares)[possible] / room[possible]
    fits = squares[possible] <= HUBER_K**2 * variance
    return math.sqrt(float(variance[np.flatnonzero(fits)[-1]]))


def _centre(array: Values, location: float, scale: float) -> Centre:
    """Join location and scale with the standard deviation of the location."""
    distances = np.abs(array - location) / scale
    pulled_in = int((distances > HUBER_K * (1 + TOLERANCE)).sum())
    sd = scale * _location_sd(distances, len(array) - pulled_in)
    return Centre(location, scale, sd, len(array), pulled_in)


def _location_sd(distances: Values, inside: int) -> float:
    """
    Give the standard deviation of the location, in scales, from each value's distance in scales.

    The asymptotic one of an M-estimate, ``sqrt(sum psi²) / (values inside)`` (Huber 1981, chapter
    3), with neither part taken better than normal errors make it on average: few values may by
    chance look better than they are.  With none inside, the location lies in a gap between
    values, and the distance to the nearest is what is not known.
    """
    if not inside:
        return float(distances.min())
    count = len(distances)
    squares = float((np.minimum(distances, HUBER_K) ** 2).sum())
    usual = count * float(2 * norm.cdf(HUBER_K) - 1)
    return math.sqrt(max(squares, count * consistency())) / min(inside, usual)
