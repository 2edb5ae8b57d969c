"""
What a laboratory's control samples, blanks and duplicates say about a batch of assays.

All values of one call have one unit, any; results have the same unless they are relative.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

from .checks import UnusableErrorInput, Values, not_negative, numbers
from .model import ErrorModel
from .printed import DETECTION_MULTIPLE
from .replicates import PAIR, Centre, mean_of

FEWEST_PAIRS = 3
"""Two parts are fitted; with two pairs they would pass through both and show nothing."""

SHAPES = 97
"""How many mixtures of the two parts are tried before the best is refined; four to each factor of
e in their ratio, over twenty-four such factors."""


@dataclass(frozen=True, slots=True)
class Precision:
    """
    The error of one determination by level, as duplicates show it.

    ``lowest`` and ``highest`` are the levels the duplicates cover; outside, the model is a guess.
    """

    model: ErrorModel
    pairs: int
    lowest: float
    highest: float

    def of_mean(self, value: float, count: int = 1) -> float:
        """Give the standard deviation of the mean of ``count`` determinations at a value."""
        if count < 1:
            raise UnusableErrorInput("count", f"{count} determinations have no mean.")
        return self.model.sd(value) / math.sqrt(count)


@dataclass(frozen=True, slots=True)
class Blank:
    """What blanks read: their mean with its sd, and the detection limit above it."""

    level: Centre
    detection_limit: float


@dataclass(frozen=True, slots=True)
class Control:
    """
    A control sample: its certified value with its sd, and what the batch read on it.

    The certified error is shared by all of ``measured``, one or more.
    """

    certified: float
    certified_sd: float
    measured: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Bias:
    """
    The bias of a batch: ``value`` with ``sd``, to be subtracted from readings.

    A fraction of the true value where ``relative``.  ``z`` is value over sd, standard normal if
    there is no bias.  ``p_one_bias`` is the chance that controls sharing one bias differ as much
    as these (chi-square with ``controls`` - 1 degrees of freedom); ``None`` for one control.
    """

    value: float
    sd: float
    relative: bool
    controls: int
    p_one_bias: float | None

    @property
    def z(self) -> float:
        """The bias in its own standard deviations."""
        return self.value / self.sd


def precision_from_duplicates(pairs: Iterable[Sequence[float]]) -> Precision:
    """
    Fit an absolute and a relative part to duplicates at several levels.

    A pair's ``d²/2`` estimates the variance ``absolute² + (relative level)²``; the two parts are
    those of maximum likelihood for normal errors, neither negative.  That precision changes with
    the level and is to be learnt from duplicates: Thompson and Howarth, Analyst 101, 1976, 690
    (quoted from memory; they fit standard deviations, by medians, where we fit variances).
    Raises `UnusableErrorInput` for fewer than three pairs, anything but pairs, a pair of zeros,
    or a single level, which cannot tell the two parts apart.
    """
    values = _pairs(pairs)
    levels = np.abs(values.mean(axis=1))
    lowest, highest = float(levels.min()), float(levels.max())
    if lowest == highest:
        raise UnusableErrorInput("pairs", "Duplicates at one level cannot tell the parts apart.")
    halves = (values[:, 0] - values[:, 1]) ** 2 / 2
    absolute, relative = _likeliest_parts(halves, (levels / highest) ** 2)
    model = ErrorModel(math.sqrt(absolute), math.sqrt(relative) / highest)
    return Precision(model, len(values), lowest, highest)


def blank_level(values: Iterable[float], multiple: float = DETECTION_MULTIPLE) -> Blank:
    """
    Give the mean of blanks with its sd, and the detection limit ``multiple`` spreads above it.

    The mean is what the batch adds to every sample; subtract it and keep its sd.  Raises
    `UnusableErrorInput` for fewer than two blanks.
    """
    level = mean_of(values)
    return Blank(level, level.value + not_negative("multiple", multiple) * level.spread)


def batch_bias(
    controls: Iterable[Control], precision: ErrorModel, *, relative: bool = False
) -> Bias:
    """
    Estimate the bias of a batch from its control samples.

    The mean of measured less certified, or of their relative difference, each weighted by the
    inverse of ``certified_sd² + precision² / n``, n times that the control was read; its variance
    is the inverse of the sum of weights (the weighted mean of any textbook; JCGM 100:2008,
    5.1.2).  ``precision`` is the error of one determination within the batch, for instance from
    `precision_from_duplicates`.  Raises `UnusableErrorInput` for no controls, impossible values,
    or an error of zero.
    """
    differences, variances = _differences(list(controls), precision, relative=relative)
    weights = 1 / variances
    value = float(weights @ differences / weights.sum())
    degrees = len(differences) - 1
    statistic = float(weights @ (differences - value) ** 2)
    p = float(chi2.sf(statistic, degrees)) if degrees else None
    return Bias(value, float(1 / math.sqrt(weights.sum())), relative, len(differences), p)


def _pairs(pairs: Iterable[Sequence[float]]) -> Values:
    rows = [numbers("pairs", pair, at_least=PAIR) for pair in pairs]
    if any(len(row) != PAIR for row in rows):
        raise UnusableErrorInput("pairs", "Each duplicate is a pair of two values.")
    if len(rows) < FEWEST_PAIRS:
        raise UnusableErrorInput(
            "pairs", f"There are {len(rows)} pairs where at least {FEWEST_PAIRS} are needed."
        )
    if not all(row.any() for row in rows):
        raise UnusableErrorInput(
            "pairs", "A pair of zeros was not detected and shows no precision. Leave it out."
        )
    return np.array(rows)


def _likeliest_parts(halves: Values, squares: Values) -> tuple[float, float]:
    """
    Fit variances ``first + second squares`` to ``halves``, each of them chi-square with one degree.

    For a given mixture of the two the likeliest size is the mean of halves over mixture, which
    leaves one bounded unknown, the share of the second.
    """
    if not halves.any():
        return 0.0, 0.0
    mean = float(squares.mean())

    def mixture(share: float) -> Values:
        return (1 - share) + share * squares / mean

    def loss(share: float) -> float:
        variances = mixture(share)
        if not variances.all():
            return math.inf
        return float(np.log(variances).mean() + np.log((halves / variances).mean()))

    odds = np.exp(np.linspace(-12, 12, SHAPES))
    shares = np.array([0, *(odds / (1 + odds)), 1])
    losses = np.array([loss(share) for share in shares])
    best = int(losses.argmin())
    ends = shares[max(best - 1, 0)], shares[min(best + 1, len(shares) - 1)]
    found = float(minimize_scalar(loss, bounds=ends, method="bounded", options={"xatol": 0}).x)
    share = min(found, float(shares[best]), key=loss)
    size = float((halves / mixture(share)).mean())
    return (1 - share) * size, share * size / mean


def _differences(
    controls: list[Control], precision: ErrorModel, *, relative: bool
) -> tuple[Values, Values]:
    if not controls:
        raise UnusableErrorInput("controls", "There is no control sample.")
    differences, variances = [], []
    for control in controls:
        centre = mean_of(control.measured, spread=precision.sd(control.certified))
        scale = _scale(control, relative=relative)
        sd = math.hypot(not_negative("certified_sd", control.certified_sd), centre.sd) / scale
        if sd == 0:
            raise UnusableErrorInput("precision", "A control sample without any error has no z.")
        differences.append((centre.value - control.certified) / scale)
        variances.append(sd**2)
    return np.array(differences), np.array(variances)


def _scale(control: Control, *, relative: bool) -> float:
    if relative and not control.certified > 0:
        raise UnusableErrorInput(
            "certified", f"A relative bias has no meaning at {control.certified:g}."
        )
    return control.certified if relative else 1.0
