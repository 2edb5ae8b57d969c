"""
Values that stand in each other's place: bags, trays or components exchanged.

An exchange has no unknown size.  Let d be by how much the readings concerned miss what all others
say of them, and A its covariance, both in units of their sds: ``d = -M⁻¹ r`` and ``A = M⁻¹`` over
their rows.  With the values exchanged, each with its sd, ``d + δ`` is left, of covariance
``A - I + diag(sd'² / sd²)``.  The log likelihood ratio of the two normal densities, L, is compared:
``sqrt(2 L)`` is not exceeded more often than a standard normal variable, whatever the true values,
where the sds are equal (the ratio of two simple hypotheses: Cox 1961; Royall 1997).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations
from math import comb, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from reconcile.findings import Exchanged, Hypothesis, HypothesisTest, Suspicion
from reconcile.flowsheet import SOLIDS
from reconcile.kernel.lazy import lazy
from reconcile.kernel.losses import Loss
from reconcile.measurands import measurand

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from reconcile.kernel.problem import Floats
    from reconcile.measurands import Measurand
    from reconcile.readings import Reading

    from .serial import Search

WORST_READINGS = 24
"""Readings, those that fit worst, whose exchange with any other is tried: an exchange that matters
leaves at least one of the two among them."""

WORST_STREAMS = 10
"""Streams, those that fit worst, whose bags and trays are tried for exchange with one another."""

MOST_MET = 1000
"""Exchanges that are kept with a plan, some 0.3 MB."""

UNSEEN = 1e-8
"""Added to M, so that a reading that nothing checks is foretold by nothing, not by rounding."""

_PAIR = 2


@dataclass(frozen=True, slots=True)
class Exchange:
    """
    An exchange tried, with places (rows,) among the readings in use and their shifts in sds.

    ``fall`` is half the fall of the objective, ``volume`` what the change of weights adds to the
    log likelihood ratio.
    """

    hypothesis: Hypothesis
    fall: float
    volume: float
    rows: tuple[int, ...]
    shifts: tuple[float, ...]

    @property
    def log_ratio(self) -> float:
        """The log likelihood ratio against no exchange."""
        return self.fall + self.volume

    @property
    def statistic(self) -> float:
        """The signed root of twice the log likelihood ratio."""
        return sqrt(2 * abs(self.log_ratio)) * (1 if self.log_ratio > 0 else -1)

    @property
    def p_value(self) -> float:
        """The chance of so large a ratio or larger where nothing is exchanged, at most."""
        return float(np.exp(log_ndtr(-self.statistic))) if self.log_ratio > 0 else 1.0

    def test(self, adjusted: float) -> HypothesisTest:
        """Give the exchange as a test."""
        return HypothesisTest(self.hypothesis, None, None, self.statistic, self.p_value, adjusted)


def likelihoods(exchanges: Sequence[Exchange]) -> tuple[Floats, Floats]:
    """Give statistics and p-values of exchanges, as they give them one by one."""
    ratio = np.array([one.fall + one.volume for one in exchanges], dtype=np.float64)
    likely = ratio > 0
    statistic = np.where(likely, 1.0, -1.0) * np.sqrt(2 * np.abs(ratio))
    p_values = np.ones(len(ratio))
    p_values[likely] = np.exp(log_ndtr(-statistic[likely]))
    return statistic, p_values


@dataclass(frozen=True)
class Sample:
    """What was read of one stream: places among the readings in use, of shares by measurand."""

    mass: int | None
    shares: Mapping[int, int]


@dataclass(frozen=True)
class Exchanges:
    """The exchanges that are possible in one residual space."""

    search: Search
    readings: Sequence[Reading]
    counted: Sequence[int]

    @lazy
    def measurands(self) -> tuple[Measurand, ...]:
        """What was read at all."""
        sheet = self.search.space.at.solution.plan.model.flowsheet
        return tuple(dict.fromkeys(measurand(sheet, self.readings[i].of) for i in self.counted))

    @lazy
    def places(self) -> dict[tuple[str, int], int]:
        """Places among the readings in use of what was read of single streams, by measurand."""
        solution = self.search.space.at.solution
        sheet = solution.plan.model.flowsheet
        used = np.flatnonzero(solution.used)
        numbers = {of: k for k, of in enumerate(self.measurands)}
        places = {}
        for place, row in enumerate(used[used < len(self.counted)].tolist()):
            reading = self.readings[self.counted[row]]
            if len(reading.streams) == 1 and solution.losses.kind[row] == Loss.SQUARE:
                places[reading.streams[0], numbers[measurand(sheet, reading.of)]] = place
        return places

    @lazy
    def reading_at(self) -> dict[int, int]:
        """The reading in each place."""
        used = np.flatnonzero(self.search.space.at.solution.used)
        return {place: self.counted[used[place]] for place in self.places.values()}

    @lazy
    def place_of(self) -> dict[int, int]:
        """The place of each reading."""
        return {reading: place for place, reading in self.reading_at.items()}

    @lazy
    def alike(self) -> dict[int, list[int]]:
        """Places of each measurand."""
        result: dict[int, list[int]] = defaultdict(list)
        for (_, of), place in self.places.items():
            result[of].append(place)
        return result

    @lazy
    def samples(self) -> dict[str, Sample]:
        """What was read of each stream."""
        shares: dict[str, dict[int, int]] = defaultdict(dict)
        masses: dict[str, int] = {}
        for (stream, k), place in self.places.items():
            if self.measurands[k].below:
                shares[stream][k] = place
            elif self.measurands[k].name == SOLIDS:
                masses[stream] = place
        return {stream: Sample(masses.get(stream), found) for stream, found in shares.items()}

    @lazy
    def assays(self) -> dict[str, list[int]]:
        """Places of the assays of each stream, which could be transposed."""
        sheet = self.search.space.at.solution.plan.model.flowsheet
        names = {*sheet.components, *sheet.analytes}
        return {
            stream: [p for k, p in sample.shares.items() if self.measurands[k].name in names]
            for stream, sample in self.samples.items()
        }

    @lazy
    def possible(self) -> int:
        """How many exchanges are possible."""
        single = sum(comb(len(places), 2) for places in self.alike.values())
        single += sum(comb(len(places), 2) for places in self.assays.values())
        held = np.zeros((len(self.samples), len(self.measurands)), dtype=np.int64)
        for row, sample in enumerate(self.samples.values()):
            held[row, list(sample.shares)] = 1
        common = held @ held.T
        weighed = np.array(
            [sample.mass is not None for sample in self.samples.values()], dtype=bool
        )
        apart = np.triu(np.ones_like(common, dtype=bool), 1)
        several = ((common >= _PAIR) & apart).sum()
        several += ((common > 0) & np.outer(weighed, weighed) & apart).sum()
        return single + int(several)

    @lazy
    def _met(self) -> dict[tuple[Exchanged, tuple[int, ...]], Hypothesis]:
        """Exchanges tried in earlier balances of the plan, so that they need not be made again."""
        plan = self.search.space.at.solution.plan
        return plan.remembered("exchanges", dict[tuple[Exchanged, tuple[int, ...]], Hypothesis])

    def exchange(self, kind: Exchanged, readings: tuple[int, ...]) -> Hypothesis:
        """Give the exchange of some readings, the same object for the same ones."""
        found = self._met.get((kind, readings))
        if found is None:
            found = Hypothesis(Suspicion.EXCHANGE, readings, exchanged=kind)
            if len(self._met) < MOST_MET:
                self._met[kind, readings] = found
        return found

    def tried(self, chosen: Sequence[int]) -> list[Exchange]:
        """Give the exchanges that are tried beside what is chosen, the most likely first."""
        judge = _Judge(self, chosen)
        found = [*judge.pairs(), *judge.samples()]
        return sorted(found, key=lambda one: -one.log_ratio)


class _Judge:
    """The residuals beside what is chosen, and the likelihood of exchanges in them."""

    def __init__(self, exchanges: Exchanges, chosen: Sequence[int]) -> None:
        self.exchanges = exchanges
        search, space = exchanges.search, exchanges.search.space
        solution = space.at.solution
        self.values, self.sds = solution.values[solution.used], solution.sds[solution.used]
        self.taken = search.basis(chosen)
        self.residual = space.residual - self.taken @ (self.taken.T @ space.residual)
        self.room = np.maximum(space.room - (self.taken**2).sum(axis=1), 0.0) + UNSEEN
        size = self.residual**2 / self.room
        seen_at_all = self.room > 2 * UNSEEN
        self.misfit = np.where(seen_at_all, size, 0.0)
        self.worst = self._worst_places()
        self.worst_samples = self._worst_samples()
        rows = dict.fromkeys(self.worst)
        for sample in self.worst_samples.values():
            rows.update(dict.fromkeys(sample.shares.values()))
            rows.update({} if sample.mass is None else {sample.mass: None})
        self.at = {place: k for k, place in enumerate(rows)}
        places = np.array(list(rows), dtype=np.int64)
        self.columns: Floats = space.columns(places) - self.taken @ self.taken[places].T

    def _worst_places(self) -> list[int]:
        places = np.array(sorted(self.exchanges.places.values()), dtype=np.int64)
        worst = places[np.argsort(-self.misfit[places], kind="stable")]
        return [int(place) for place in worst[:WORST_READINGS]]

    def _worst_samples(self) -> dict[str, Sample]:
        samples = self.exchanges.samples
        misfit = {
            name: sum(float(self.misfit[place]) for place in sample.shares.values())
            for name, sample in samples.items()
        }
        worst = sorted(samples, key=lambda name: -misfit[name])[:WORST_STREAMS]
        return {name: samples[name] for name in worst}

    def pairs(self) -> list[Exchange]:
        """Single values: one measurand of two streams, two assays of one stream."""
        kinds = (
            (Exchanged.VALUES, self.exchanges.alike.values()),
            (Exchanged.COMPONENTS, self.exchanges.assays.values()),
        )
        partners: dict[int, list[tuple[int, Exchanged]]] = defaultdict(list)
        for kind, groups in kinds:
            for group in groups:
                for place in group:
                    if place in self.at:
                        partners[place] += [(other, kind) for other in group if other != place]
        # Each pair once, at the worse of the two.
        before: set[int] = set()
        found: list[tuple[int, int, Exchanged]] = []
        for place in self.worst:
            found += [
                (place, other, kind) for other, kind in partners[place] if other not in before
            ]
            before.add(place)
        return self._of_two(found) if found else []

    def _of_two(self, found: list[tuple[int, int, Exchanged]]) -> list[Exchange]:
        """Try one reading with another, in closed form."""
        i, j = np.array([pair[:2] for pair in found], dtype=np.int64).T
        m = self.columns[j, [self.at[place] for place in i.tolist()]]
        a, b = self.room[i], self.room[j]
        det = np.maximum(a * b - m**2, UNSEEN**2)
        ri, rj = self.residual[i], self.residual[j]
        before = (b * ri**2 - 2 * m * ri * rj + a * rj**2) / det
        di, dj = -(b * ri - m * rj) / det, -(a * rj - m * ri) / det
        grown = (self.sds[j] / self.sds[i]) ** 2
        aa, bb, ab = b / det - 1 + grown, a / det - 1 + 1 / grown, -m / det
        after_det = np.maximum(aa * bb - ab**2, UNSEEN**2)
        si = (self.values[j] - self.values[i]) / self.sds[i]
        sj = (self.values[i] - self.values[j]) / self.sds[j]
        ei, ej = di + si, dj + sj
        after = (bb * ei**2 - 2 * ab * ei * ej + aa * ej**2) / after_det
        fall, volume = 0.5 * (before - after), -0.5 * (np.log(after_det) + np.log(det))
        reading_at, exchange = self.exchanges.reading_at, self.exchanges.exchange
        sizes = (numbers.tolist() for numbers in (fall, volume, si, sj))
        return [
            Exchange(
                exchange(kind, (reading_at[place], reading_at[other])),
                f,
                v,
                (place, other),
                (one, two),
            )
            for (place, other, kind), f, v, one, two in zip(found, *sizes, strict=True)
        ]

    def samples(self) -> Iterator[Exchange]:
        """Bags and trays of the streams that fit worst."""
        by_length: dict[int, list[tuple[Exchanged, list[tuple[int, int]]]]] = defaultdict(list)
        for one, other in combinations(self.worst_samples.values(), 2):
            bags = [
                (place, other.shares[k]) for k, place in one.shares.items() if k in other.shares
            ]
            if len(bags) >= _PAIR:
                by_length[len(bags)].append((Exchanged.SAMPLES, bags))
            if bags and one.mass is not None and other.mass is not None:
                by_length[len(bags) + 1].append((Exchanged.TRAYS, [(one.mass, other.mass), *bags]))
        for some in by_length.values():
            yield from self._several(some)

    def _several(self, some: list[tuple[Exchanged, list[tuple[int, int]]]]) -> Iterator[Exchange]:
        """Try sets of readings exchanged two by two, as many in each set."""
        pairs = np.array([pairs for _, pairs in some], dtype=np.int64)
        rows, other = (p.reshape(len(some), -1) for p in (pairs, pairs[:, :, ::-1]))
        column = np.array([[self.at[row] for row in line] for line in rows.tolist()])
        inner = self.columns[rows[:, :, None], column[:, None, :]]
        unit = np.eye(rows.shape[1])
        inner = 0.5 * (inner + inner.transpose(0, 2, 1)) + UNSEEN * unit
        sizes, along = np.linalg.eigh(inner)
        sizes = np.maximum(sizes, UNSEEN)
        inverse = (along / sizes[:, None, :]) @ along.transpose(0, 2, 1)
        missed = -np.einsum("pij,pj->pi", inverse, self.residual[rows])
        shift = (self.values[other] - self.values[rows]) / self.sds[rows]
        after = inverse - unit + unit * ((self.sds[other] / self.sds[rows]) ** 2)[:, :, None]
        left = missed + shift
        solved = np.linalg.solve(after, left[:, :, None])[:, :, 0]
        before = np.einsum("pi,pij,pj->p", missed, inner, missed)
        fall = 0.5 * (before - (left * solved).sum(axis=1))
        volume = -0.5 * (np.linalg.slogdet(after)[1] + np.log(sizes).sum(axis=1))
        reading_at = self.exchanges.reading_at
        for (kind, _), places, f, v, by in zip(
            some, rows.tolist(), fall.tolist(), volume.tolist(), shift.tolist(), strict=True
        ):
            concerned = tuple(reading_at[place] for place in places)
            hypothesis = self.exchanges.exchange(kind, concerned)
            yield Exchange(hypothesis, f, v, tuple(places), tuple(by))
