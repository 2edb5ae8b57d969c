"""
What replicates say: the mean of one reading, and the spread pooled over several streams.

All values of one call have one unit, any; results have the same.  Replicate *assays* of one
sample show the error of analysis alone, replicate *samples* that of sampling and analysis
together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from .checks import UnusableErrorInput, Values, finite, not_negative, numbers, sum_of_squares

PAIR = 2
"""A duplicate is two determinations, and one degree of freedom needs two."""


@dataclass(frozen=True, slots=True)
class Centre:
    """
    Where replicates of one reading lie.

    ``spread`` is the standard deviation of one determination, ``sd`` that of ``value``;
    ``pulled_in`` counts the values that a robust estimate pulled towards the others.  Both are
    zero where replicates agree to the last printed digit: the rounding then sets the error.
    """

    value: float
    spread: float
    sd: float
    count: int
    pulled_in: int = 0


@dataclass(frozen=True, slots=True)
class Pool:
    """
    The standard deviation of one determination, pooled over streams.

    ``sd`` is absolute, in the unit of the values, or relative, a fraction of the value, as
    ``relative`` says.  ``replicates`` and ``streams`` count what took part.
    """

    sd: float
    relative: bool
    degrees_of_freedom: int
    replicates: int
    streams: int
    robust: bool = False

    def of_one(self, value: float) -> float:
        """Give the standard deviation of one determination at a value."""
        return self.sd * abs(finite("value", value)) if self.relative else self.sd

    def of_mean(self, value: float, count: int) -> float:
        """Give the standard deviation of the mean of ``count`` determinations at a value."""
        if count < 1:
            raise UnusableErrorInput("count", f"{count} determinations have no mean.")
        return self.of_one(value) / math.sqrt(count)


def mean_of(values: Iterable[float], spread: float | None = None) -> Centre:
    """
    Give the mean of replicates with its standard deviation, ``spread / sqrt(n)``.

    The spread is that of the replicates themselves, with n - 1, unless one known better is
    given, such as a pooled one: then a single value is enough.  JCGM 100:2008, 4.2.2 and 4.2.3.
    Raises `UnusableErrorInput` for fewer than two values without ``spread``.
    """
    array = numbers("values", values, at_least=1)
    if spread is None:
        if len(array) < PAIR:
            raise UnusableErrorInput(
                "values", "One value shows no spread. Give replicates or a pooled sd."
            )
        spread = math.sqrt(sum_of_squares(array) / (len(array) - 1))
    spread = not_negative("spread", spread)
    return Centre(float(array.mean()), spread, spread / math.sqrt(len(array)), len(array))


def pooled_sd(streams: Iterable[Sequence[float]], *, relative: bool = False) -> Pool:
    """
    Pool the standard deviation over streams with few replicates each.

    ``sqrt(sum of squares about each mean / sum of (n - 1))``; with ``relative`` each stream is
    first divided by its mean, which must be above zero.  Pool absolutely where the spread is the
    same at all levels, relatively where it grows with the level.  Any textbook of statistics,
    for instance Miller and Miller, Statistics and Chemometrics for Analytical Chemistry (quoted
    from memory).  Streams read once count for nothing.  Raises `UnusableErrorInput` if none has
    two replicates.
    """
    groups = replicated(streams)
    if relative:
        groups = [_divided(group, float(group.mean())) for group in groups]
    squares = math.fsum(sum_of_squares(group) for group in groups)
    degrees = degrees_of_freedom(groups)
    return Pool(math.sqrt(squares / degrees), relative, degrees, sum(map(len, groups)), len(groups))


def duplicates_sd(pairs: Iterable[Sequence[float]], *, relative: bool = False) -> Pool:
    """
    Give the standard deviation of one determination from n pairs of duplicates.

    ``sqrt(sum of d² / 2n)``, with d the difference of a pair, divided by the pair's mean where
    ``relative``.  It is the pooled standard deviation for pairs (Youden 1951, quoted from memory).
    Raises `UnusableErrorInput` for anything but pairs.
    """
    pairs = list(pairs)
    if any(len(pair) != PAIR for pair in pairs):
        raise UnusableErrorInput("pairs", "Each duplicate is a pair of two values.")
    return pooled_sd(pairs, relative=relative)


def replicated(streams: Iterable[Sequence[float]]) -> list[Values]:
    """Give the streams read more than once, one array each; raise if there is none."""
    groups = [numbers("streams", stream, at_least=0) for stream in streams]
    groups = [group for group in groups if len(group) >= PAIR]
    if not groups:
        raise UnusableErrorInput("streams", "No stream has two replicates, so no spread shows.")
    return groups


def degrees_of_freedom(groups: Iterable[Values]) -> int:
    """Give how many independent differences the groups hold, the sum of n - 1."""
    return sum(len(group) - 1 for group in groups)


def relative_to_median(groups: Iterable[Values]) -> list[Values]:
    """Divide each group by its median, which one wild value among three leaves alone."""
    return [_divided(group, float(np.median(group))) for group in groups]


def differences(groups: Iterable[Values]) -> tuple[Values, Values]:
    """
    Give ``d²/2`` of every pair within a group, and its weight ``2/n``.

    Each ``d²/2`` estimates the variance of one determination without bias, whatever n; the
    weights of a group add up to its n - 1, and their weighted mean is the pooled variance.
    """
    halves = []
    weights = []
    for group in groups:
        for one, other in combinations(group, 2):
            halves.append((one - other) ** 2 / 2)
            weights.append(2 / len(group))
    return np.array(halves), np.array(weights)


def _divided(group: Values, level: float) -> Values:
    if level <= 0:
        raise UnusableErrorInput(
            "streams", f"A relative spread has no meaning at a level of {level:g}."
        )
    return group / level
