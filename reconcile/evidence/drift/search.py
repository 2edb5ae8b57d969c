"""
Name what a series shows: sustained biases, single gross errors, wrong standard deviations.

A bias makes residuals look too large, and a wrong sd makes charts alarm, so neither can be judged
without the other.  What explains most is taken first, everything is judged again with it allowed
for, and so on until no chart alarms and no spread is out of line.  Evidence of unlike kinds is
compared as twice the log likelihood ratio less log n for each number that had to be found (Schwarz
1978).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from reconcile.kernel.budget import in_hand

from .charts import (
    Scores,
    Windows,
    closed_windows,
    open_windows,
    profile,
    scores_of,
    sums_of,
    weighed,
)
from .residuals import UNCHECKED, Instruments, Residuals
from .run_length import chart_for, together
from .variances import (
    components,
    gains,
    own_ratios,
    spreads,
    weighed_ratios,
)

if TYPE_CHECKING:
    from .residuals import Floats, Ints

LEVEL = 0.01
"""Chance, in a series that is in control, of any single gross error being named; and of any sd."""

WEAK = 0.01
"""
Redundancy below which an instrument gets no chart: a bias of one sd moves its standardised
adjustment by less than a tenth, which is no more than the bend of a balance does.
"""

ALIKE = 0.9962
"""Cosine of five degrees: signatures closer than that are one, and share a chart."""

MOST_FINDINGS = 200
"""Findings after which a series is called out of hand; each costs a pass over it."""


@dataclass(frozen=True)
class Design:
    """
    How the charts are set.

    ``average`` shifts between false alarms of all charts together; ``design``, the mean of a
    standardised adjustment that is to be found soonest.
    """

    average: float = 2000.0
    design: float = 1.0


@dataclass(frozen=True)
class Bias:
    """
    A sustained bias of one instrument.

    In force from shift ``start`` up to and without ``stop``; ``ramp`` says that it grows by the
    same every shift until then.  ``alarm`` is the shift at which a chart first told, ``peak`` the
    highest that the chart reached.
    """

    instrument: int
    start: int
    stop: int
    ramp: bool
    alarm: int
    peak: float

    def shape(self, shifts: int) -> Floats:
        """Give its course, one where it is at its full size, (shifts,)."""
        shape = np.zeros(shifts)
        length = self.stop - self.start
        shape[self.start : self.stop] = np.arange(1, length + 1) / length if self.ramp else 1.0
        return shape


@dataclass(frozen=True)
class Stray:
    """A gross error of one instrument in one shift: ``z`` standard deviations of its adjustment."""

    instrument: int
    shift: int
    z: float


def grouped(residuals: Residuals, signatures: Floats) -> Ints:
    """
    Number the instruments so that those with signatures alike, over all shifts, share a number.

    -1 where nothing checks the instrument, or so little that it gets no chart.
    """
    count = signatures.shape[1]
    gram = np.zeros((count, count))
    for rows, shifts in zip(signatures, residuals.counts, strict=True):
        if shifts:
            gram += shifts * (rows @ rows.T)
    size = np.diag(gram)
    seen = np.einsum("k,kg->g", residuals.counts, (signatures**2).sum(axis=2) > UNCHECKED)
    checked = size > WEAK * np.maximum(seen, 1)
    root = np.sqrt(np.where(checked, size, 1.0))
    alike = (np.abs(gram) > ALIKE * np.outer(root, root)) & np.outer(checked, checked)
    number = np.full(count, -1)
    for g in np.flatnonzero(checked):
        if number[g] < 0:
            number[alike[g] & (number < 0)] = number.max() + 1
    return number


@dataclass(frozen=True)
class _View:
    """The series with the variances found allowed for."""

    residuals: Residuals
    signatures: Floats

    def moves(self, bias: Bias) -> Floats:
        """Give what a bias of one sd does to every shift, (shifts, degrees)."""
        own = self.signatures[self.residuals.of, bias.instrument]
        return np.asarray(own * bias.shape(self.residuals.shifts)[:, None])

    def sizes(self, biases: list[Bias]) -> tuple[Floats, Floats, list[Floats]]:
        """Give the sizes of all biases at once with their sds, and the moves of each."""
        moves = [self.moves(bias) for bias in biases]
        gram = np.array([[np.vdot(a, b) for b in moves] for a in moves])
        score = np.array([np.vdot(a, self.residuals.w) for a in moves])
        inverse = np.linalg.pinv(gram, hermitian=True)
        return inverse @ score, np.sqrt(np.maximum(np.diag(inverse), 0.0)), moves

    def without(self, biases: list[Bias], spared: int = -1) -> Residuals:
        """Give the residuals with all biases taken away but one, all sizes found together."""
        if not biases:
            return self.residuals
        size, _, moves = self.sizes(biases)
        taken = [s * m for k, (s, m) in enumerate(zip(size, moves, strict=True)) if k != spared]
        return self.residuals.less(np.sum(taken, axis=0)) if taken else self.residuals

    def scores(self, residuals: Residuals) -> Scores:
        """Give the scores of all instruments."""
        return scores_of(residuals, self.signatures)


@dataclass(frozen=True)
class _Candidate:
    """Something that would explain the series better by ``worth``."""

    worth: float
    bias: Bias | None = None
    stray: Stray | None = None
    spread: int | None = None


class Search:
    """Looks for one thing after the other; what was found is in the members."""

    def __init__(self, residuals: Residuals, instruments: Instruments, design: Design) -> None:
        self.residuals, self.instruments, self.design = residuals, instruments, design
        self.biases: list[Bias] = []
        self.strays: list[Stray] = []
        self.free: list[int] = []
        self.untold: list[int] = []
        self.ratio = np.ones(instruments.count)
        self.groups = grouped(residuals, instruments.signatures(residuals))
        self.charts = int(self.groups.max(initial=-1)) + 1
        self.chart = chart_for(together(design.average, self.charts), design.design)
        self._seen: _View | None = None

    @cached_property
    def number_cost(self) -> float:
        """What every number that had to be found costs."""
        return float(np.log(max(self.residuals.shifts, 2)))

    @property
    def view(self) -> _View:
        """The series with the variances found allowed for."""
        if self._seen is None:
            white = self.residuals.whitened(self.ratio[self.instruments.of])
            self._seen = _View(white, self.instruments.signatures(white))
        return self._seen

    def run(self) -> bool:
        """Look until nothing more is found; say whether that was reached."""
        for _ in range(MOST_FINDINGS):
            in_hand().check()
            found = self._next() if self.charts else None
            if found is None:
                self._prune()
                return True
            self._take(found)
        return False

    def _prune(self) -> None:
        """Drop biases that what was found after them explains as well."""
        if not self.biases:
            return
        size, sd, _ = self.view.sizes(self.biases)
        worth = (size / sd) ** 2 - 2 * self.number_cost
        self.biases = [b for b, much in zip(self.biases, worth, strict=True) if much > 0]

    def _next(self) -> _Candidate | None:
        cleaned = self.view.without(self.biases)
        scores = self._charted(self.view.scores(cleaned))
        candidates = [
            *self._sustained(scores),
            *self._stray(scores),
            *self._spread(cleaned),
        ]
        return max(candidates, key=lambda c: c.worth, default=None)

    def _take(self, found: _Candidate) -> None:
        if found.stray is not None:
            self.strays.append(found.stray)
            whole = self.instruments.signatures(self.residuals)
            kind = self.residuals.of[found.stray.shift]
            signature = whole[kind, found.stray.instrument]
            self.residuals = self.residuals.without(found.stray.shift, signature)
        elif found.bias is not None:
            self.biases.append(found.bias)
        elif found.spread is not None:
            self.free.append(found.spread)
        self._seen = None
        if self.free:
            self._weigh()
        self._settle()

    def _weigh(self) -> None:
        """
        Estimate the variances found, biases allowed for at what they are under these.

        One that cannot be told from those found before it is not found.
        """
        cleaned, first = self.cleaned(), self.ratio.copy()
        found = components(cleaned, self.instruments, np.array(self.free), first)
        if not found.separable[self.free].all():
            self.untold.append(self.free.pop())
        else:
            self.ratio = found.ratio
        self._seen = None

    def cleaned(self) -> Residuals:
        """Give the residuals as they came, the biases as the view sizes them taken away."""
        if not self.biases:
            return self.residuals
        size, _, _ = self.view.sizes(self.biases)
        plain = _View(self.residuals, self.instruments.signatures(self.residuals))
        moves = [s * plain.moves(bias) for s, bias in zip(size, self.biases, strict=True)]
        return self.residuals.less(np.sum(moves, axis=0))

    def _settle(self) -> None:
        """Choose the start of every bias again with the others allowed for, and its course."""
        for k, bias in enumerate(self.biases if len(self.biases) > 1 else []):
            scores = self.view.scores(self.view.without(self.biases, spared=k))
            self.biases[k] = self._shaped(scores, bias)

    def _charted(self, scores: Scores) -> Scores:
        """Give the scores with those of instruments without a chart left out."""
        charted = self.groups >= 0
        return Scores(scores.score * charted, scores.information * charted)

    def _sustained(self, scores: Scores) -> list[_Candidate]:
        sums = sums_of(scores.standardised, self.chart.allowance)
        if sums.peak.max(initial=0.0) <= self.chart.limit:
            return []
        windows, cost = self._windows(scores, sums.excursion(int(sums.peak.argmax())))
        likely = np.where(np.isfinite(windows.gain), windows.gain, -np.inf)
        g = int(np.argmax(weighed(likely, windows.information) - cost))
        if not np.isfinite(windows.gain[g]):
            return []
        told = sums.first_above(self.chart.limit)
        # Where a neighbour's chart told, that is the alarm.
        by = g if told[g] < len(scores.score) else int(told.argmin())
        course = (g, int(windows.start[g]), int(windows.stop[g]), False)
        rough = Bias(*course, int(told[by]), float(sums.peak[by]))
        worth = float(windows.gain[g] - cost[g])
        return [_Candidate(worth, bias=self._shaped(scores, rough))]

    def _windows(self, scores: Scores, around: tuple[int, int]) -> tuple[Windows, Floats]:
        """
        Give the best window of every instrument, and what its numbers cost.

        It has to do with the highest chart's rise, the shifts ``around``.
        """
        lasting = open_windows(scores, around[1])
        ending = closed_windows(scores, around)
        better = ending.gain - self.number_cost > lasting.gain
        better &= ending.stop < len(scores.score)
        cost = self.number_cost * np.where(better, 3.0, 2.0)
        return (
            Windows(
                np.where(better, ending.start, lasting.start),
                np.where(better, ending.stop, lasting.stop),
                np.where(better, ending.gain, lasting.gain),
                np.where(better, ending.information, lasting.information),
            ),
            cost,
        )

    def _shaped(self, scores: Scores, bias: Bias) -> Bias:
        """Give the bias with its likeliest start, as a jump or as a ramp."""
        jump, _ = profile(scores, bias.instrument, bias.stop, ramp=False)
        ramp, _ = profile(scores, bias.instrument, bias.stop, ramp=True)
        grows = bool(ramp.max() > jump.max())
        start = int((ramp if grows else jump).argmax())
        return replace(bias, start=start, ramp=grows)

    def _stray(self, scores: Scores) -> list[_Candidate]:
        z = np.abs(np.nan_to_num(scores.standardised))
        tried = max(int((z > 0).sum()), 1)
        shift, g = np.unravel_index(int(z.argmax()), z.shape)
        square = float(z[shift, g] ** 2)
        if square <= chi2.isf(LEVEL / tried, 1):
            return []
        worth = square - 2 * self.number_cost
        deviate = float(scores.standardised[shift, g])
        return [_Candidate(worth, stray=Stray(int(g), int(shift), deviate))]

    def _spread(self, cleaned: Residuals) -> list[_Candidate]:
        spread, count = spreads(cleaned, self.instruments)
        gain = np.where(self.groups >= 0, gains(spread, count), 0.0)
        gain[[*self.free, *self.untold]] = 0.0
        ratio = own_ratios(cleaned, self.instruments, spread)
        g = int(weighed_ratios(gain, ratio).argmax())
        if gain[g] <= chi2.isf(LEVEL / max(self.charts, 1), 1):
            return []
        return [_Candidate(float(gain[g]) - self.number_cost, spread=g)]
