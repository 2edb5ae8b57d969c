"""What a search found, with what is known of it: sizes, intervals, chances, and rivals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from .charts import Scores, Sums, interval_of_start, profile, sums_of, weighed
from .residuals import UNCHECKED, Instruments, Residuals
from .run_length import Chart
from .search import Bias, Design, Search, Stray
from .variances import (
    Components,
    components,
    gains,
    own_ratios,
    spreads,
    tellable_of,
    weighed_ratios,
)

if TYPE_CHECKING:
    from .residuals import Bools, Floats, Ints

TELLING = 6.0
"""Twice the log of odds of 20 to 1: explanations that are closer are both named."""


@dataclass(frozen=True)
class Rival:
    """
    An instrument that explains a finding nearly as well.

    ``odds`` of the one named against it; ``size`` that its own bias would have, or the ratio that
    its own sd would have to the stated one; ``inseparable`` that their signatures are
    alike.
    """

    instrument: int
    odds: float
    size: float
    inseparable: bool


@dataclass(frozen=True)
class FoundBias:
    """
    A bias with what is known of it, sizes in stated sds of the instrument's readings.

    ``size`` is that in force, of a ramp that at its end; ``earliest`` and ``latest`` likely start;
    ``chance`` of a chart that reaches as high in a series of this length in control; ``ramp_odds``
    are the odds of a ramp against a jump.
    """

    bias: Bias
    size: float
    sd: float
    earliest: int
    latest: int
    chance: float
    ramp_odds: float
    rivals: tuple[Rival, ...]


@dataclass(frozen=True)
class FoundSpread:
    """
    A stated sd that the series contradicts.

    ``ratio`` is the sd found over the one stated, ``sd`` its standard deviation, with the other
    sds as stated but for those found as well; ``chance`` of as large a likelihood ratio, over all
    instruments, if the sd were right.
    """

    instrument: int
    ratio: float
    sd: float
    chance: float
    rivals: tuple[Rival, ...]


@dataclass(frozen=True)
class Findings:
    """
    What a series shows.

    ``groups`` (instruments,) numbers those that cannot be told apart alike, -1 for those without
    a chart; ``chart`` is that of each; ``redundancy`` (instruments,) mean of the signature's
    square per shift in which it was read; ``seen`` (instruments,) shifts in which it was checked;
    ``standardised`` (shifts, instruments) and ``sums`` are those of the charts, nothing allowed
    for; ``cleaned`` are the residuals without the biases found; ``joint`` the
    variance ratios with all free that the series tells; ``serial`` the correlation of residuals
    from shift to shift, and its sd if there is none; ``complete`` that nothing more was found.
    """

    biases: tuple[FoundBias, ...]
    spreads: tuple[FoundSpread, ...]
    strays: tuple[Stray, ...]
    groups: Ints
    chart: Chart
    redundancy: Floats
    seen: Ints
    joint: Components
    serial: tuple[float, float]
    sums: Sums
    standardised: Floats
    cleaned: Residuals
    complete: bool


def findings(residuals: Residuals, instruments: Instruments, design: Design) -> Findings:
    """
    Name the sustained biases, gross errors and wrong sds of a series.

    Raises
    ------
    OverBudget
    """
    search = Search(residuals, instruments, design)
    plain = search.view.scores(residuals)
    sums = sums_of(plain.standardised, search.chart.allowance)
    complete = search.run()
    seen = (plain.information > 0).sum(axis=0)
    cleaned = search.cleaned()
    tellable = tellable_of(cleaned, instruments, np.flatnonzero(search.groups >= 0))
    joint = components(cleaned, instruments, tellable)
    return Findings(
        tuple(_found_bias(search, k) for k in range(len(search.biases))),
        tuple(_found_spreads(search)),
        tuple(search.strays),
        search.groups,
        search.chart,
        plain.information.sum(axis=0) / np.maximum(seen, 1),
        seen,
        joint,
        cleaned.serial,
        sums,
        plain.standardised,
        cleaned,
        complete,
    )


def _found_bias(search: Search, k: int) -> FoundBias:
    bias, view = search.biases[k], search.view
    size, sd, _ = view.sizes(search.biases)
    scores = view.scores(view.without(search.biases, spared=k))
    gain, information = profile(scores, bias.instrument, bias.stop, ramp=bias.ramp)
    earliest, latest = interval_of_start(gain, information)
    jump, _ = profile(scores, bias.instrument, bias.stop, ramp=False)
    ramp, _ = profile(scores, bias.instrument, bias.stop, ramp=True)
    quiet = Chart(search.chart.allowance, bias.peak).quiet(search.residuals.shifts)[-1]
    chance = -np.expm1(2 * search.charts * np.log(min(quiet, 1.0)))
    return FoundBias(
        bias,
        float(size[k]),
        float(sd[k]),
        earliest,
        latest,
        float(np.clip(chance, 0.0, 1.0)),
        float(np.exp(np.clip((ramp.max() - jump.max()) / 2, -700, 700))),
        _rivals(search, bias.instrument, *_same_window(scores, bias)),
    )


def _same_window(scores: Scores, bias: Bias) -> tuple[Floats, Floats]:
    """Give weighed gain and size of a bias of this course in every instrument, (instruments,)."""
    shape = bias.shape(len(scores.score))[:, None]
    u, i = (scores.score * shape).sum(axis=0), (scores.information * shape**2).sum(axis=0)
    seen = i > UNCHECKED
    size = u / np.where(seen, i, 1.0)
    return weighed(np.where(seen, size * u, 0.0), i), size


def _rivals(search: Search, instrument: int, gain: Floats, size: Floats) -> tuple[Rival, ...]:
    """Give the others that explain it nearly as well, and those that cannot be told from it."""
    behind = gain[instrument] - gain
    twins: Bools = search.groups == search.groups[instrument]
    named = np.flatnonzero(((behind < TELLING) | twins) & np.isfinite(gain))
    return tuple(
        Rival(int(g), float(np.exp(min(behind[g], 1400.0) / 2)), float(size[g]), bool(twins[g]))
        for g in named[np.argsort(behind[named], kind="stable")]
        if g != instrument and search.groups[g] >= 0
    )


def _found_spreads(search: Search) -> list[FoundSpread]:
    if not search.free:
        return []
    cleaned = search.cleaned()
    whole = components(cleaned, search.instruments, np.array(search.free), search.ratio)
    found = []
    for g in [g for g in search.free if whole.separable[g]]:
        others = np.array([other for other in search.free if other != g], dtype=np.int64)
        without = components(cleaned, search.instruments, others, np.ones(len(whole.ratio)))
        gain = max(whole.likelihood - without.likelihood, 0.0)
        white = cleaned.whitened(without.ratio[search.instruments.of])
        spread, count = spreads(white, search.instruments)
        rough = np.where(search.groups >= 0, gains(spread, count), 0.0)
        ratio = float(np.sqrt(whole.ratio[g]))
        chance = min(float(search.charts * chi2.sf(gain, 1)), 1.0)
        own = own_ratios(cleaned, search.instruments, spread)
        rivals = _rivals(search, g, weighed_ratios(rough, own), own)
        found.append(FoundSpread(g, ratio, float(whole.sd[g]) / (2 * ratio), chance, rivals))
    return found
