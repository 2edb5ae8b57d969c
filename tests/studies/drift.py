"""
Drift over many shifts: how soon it is told, how often falsely, and how well sds are recovered.

Run ``python -m tests.studies.drift`` from the root (add a number for so many series instead of
200).  Series are drawn in the linearised residual space of six networks, where everything but the
balances themselves is exact; two networks are also drawn as readings and balanced shift by shift.
Every figure has its Monte Carlo error.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reconcile import Flowsheet, Reading
from reconcile.drift import Drift, reconcile_series
from reconcile.evidence.drift.charts import scores_of, sums_of
from reconcile.evidence.drift.found import Findings, findings
from reconcile.evidence.drift.residuals import Instruments, Residuals
from reconcile.evidence.drift.run_length import Chart, chart_for, together
from reconcile.evidence.drift.search import Design, grouped
from reconcile.evidence.drift.variances import Components, components, tellable_of
from reconcile.options import Options
from tests.flowsheets import Circuit, bypass_network, exact, random_circuit
from tests.studies.coverage import example_circuit

Array = NDArray[np.float64]

SHIFTS, START = 200, 49
"""Length of a series, and the position of the shift at which a drift starts: the fiftieth."""

WRONG = 1.6
"""Sd over the one stated, where one is made wrong."""


@dataclass(frozen=True)
class Network:
    """A network with true readings, and the rows (readings, degrees) that its balance leaves."""

    name: str
    flowsheet: Flowsheet
    readings: tuple[Reading, ...]
    rows: Array

    @property
    def count(self) -> int:
        """How many readings there are."""
        return len(self.rows)

    @property
    def alone(self) -> Instruments:
        """Every reading an instrument of its own."""
        return Instruments(np.arange(self.count), self.count)

    @property
    def redundancy(self) -> Array:
        """Redundancy number of every reading."""
        return np.asarray((self.rows**2).sum(axis=1))

    def residuals(self, errors: Array) -> Residuals:
        """Give what is left over of errors (shifts, readings) in sds."""
        return self.left(errors @ self.rows)

    def left(self, w: Array) -> Residuals:
        """Give coordinates (shifts, degrees) with the rows that they belong to."""
        return Residuals(w, self.rows[None], np.zeros(len(w), dtype=np.int64))

    def drawn(
        self, rng: np.random.Generator, shifts: int, reading: int | None = None, bias: float = 0.0
    ) -> Residuals:
        """Draw residuals of right sds, with a bias of a reading from the fiftieth shift on."""
        w = rng.standard_normal((shifts, self.rows.shape[1]))
        if reading is not None:
            w[START:] += bias * self.rows[reading]
        return self.left(w)

    def groups(self) -> NDArray[np.int64]:
        """Number the readings that can be told apart."""
        given = self.residuals(np.zeros((1, self.count)))
        return grouped(given, self.alone.signatures(given))

    def chart(self) -> Chart:
        """Give the chart of each group with the default run length."""
        return chart_for(together(Design().average, int(self.groups().max()) + 1), Design().design)

    def chosen(self) -> list[int]:
        """Give the reading that is checked best, and one that is checked by about a third."""
        r = np.where(self.groups() >= 0, self.redundancy, np.nan)
        return list(dict.fromkeys((int(np.nanargmax(r)), int(np.nanargmin(np.abs(r - 1 / 3))))))


def network(name: str, circuit: Circuit) -> Network:
    """Lay out a circuit in its residual space, at its truth."""
    true = exact(circuit)
    series = _series(true.flowsheet, [true.readings] * 10)
    return Network(name, true.flowsheet, true.readings, series.residuals.bases[0])


def _series(flowsheet: Flowsheet, shifts: Sequence[Sequence[Reading]]) -> Drift:
    """Balance a series however long that takes: the first one compiles."""
    return reconcile_series(flowsheet, shifts, options=Options(time_budget_s=3600))


def _bypass() -> Circuit:
    truth = np.array([[100.0], [64.0], [36.0], [64.0], [36.0], [100.0]])
    readings = [Reading(str(k + 1), "mass", flow[0], 1.0) for k, flow in enumerate(truth)]
    return Circuit(bypass_network(), truth, tuple(readings))


def networks() -> Iterator[Network]:
    """Give the six networks."""
    yield network("bypass", _bypass())
    for name in ("tin-shed", "rougher-cleaner-scavenger"):
        yield network(name, example_circuit(name))
    for streams, seed in ((30, 1), (60, 2), (100, 3)):
        circuit = random_circuit(seed, streams=streams, components=3)
        yield network(f"random, {streams} streams", circuit)


@dataclass(frozen=True)
class Figure:
    """A figure with its Monte Carlo error."""

    value: float
    error: float

    def __str__(self) -> str:
        """Write both."""
        return f"{self.value:.3g} ± {self.error:.1g}"


def share(hits: int, of: int) -> Figure:
    """Give a share with its binomial error, that of one hit at least."""
    p = hits / of
    return Figure(p, max(p * (1 - p), 1 / of) ** 0.5 / of**0.5)


def median(values: Array) -> Figure:
    """Give the median with the half width of a one-sigma interval by order statistics."""
    ordered = np.sort(values)
    half, step = (len(ordered) - 1) / 2, len(ordered) ** 0.5 / 2
    low, high = ordered[int(np.floor(half - step))], ordered[int(np.ceil(half + step))]
    return Figure(float(np.median(ordered)), max(float(high - low) / 2, 0.5))


def falsely(given: Network, runs: int, seed: int) -> Figure:
    """Give the share of series with nothing wrong in which any chart alarms."""
    rng, chart, alarms = np.random.default_rng(seed), given.chart(), 0
    charted = given.groups() >= 0
    for _ in range(runs):
        residuals = given.drawn(rng, SHIFTS)
        z = scores_of(residuals, residuals.bases).standardised
        alarms += bool(sums_of(z[:, charted], chart.allowance).peak.max() > chart.limit)
    return share(alarms, runs)


def delays(given: Network, reading: int, runs: int, seed: int) -> Array:
    """Give shifts from the start of a bias of one sd to its chart's alarm, if none came before."""
    rng, chart = np.random.default_rng(seed), given.chart()
    found = []
    shifts = START + 20 * int(chart.average(given.redundancy[reading] ** 0.5))
    for _ in range(runs):
        residuals = given.drawn(rng, shifts, reading, 1.0)
        z = scores_of(residuals, residuals.bases[:, [reading]]).standardised
        told = int(sums_of(z, chart.allowance).first_above(chart.limit)[0])
        if told >= START:
            found.append(told + 1 - START)
    return np.array(found, dtype=np.float64)


def expected_delay(chart: Chart, redundancy: float) -> int:
    """Give the median delay by theory, both sides, after as many quiet shifts."""
    mean, most = redundancy**0.5, 20_000
    quiet = chart.quiet(most, mean, before=START) * chart.quiet(most, -mean, before=START)
    return int(np.argmax(quiet <= 0.5)) + 1


@dataclass
class Searches:
    """What the whole search made of series with one bias of one sd, or with nothing wrong."""

    runs: int
    named: int = 0
    itself: int = 0
    among: int = 0
    start_held: int = 0
    size_held: int = 0
    others: int = 0
    wrong_sds: int = 0
    slips: int = 0


def searched(given: Network, reading: int | None, runs: int, seed: int) -> Searches:
    """Search series in which a reading has a bias of two sd from shift 51 on, or none."""
    rng, found, groups = np.random.default_rng(seed), Searches(runs), given.groups()
    for _ in range(runs):
        residuals = given.drawn(rng, SHIFTS, reading, BIAS)
        _count(found, findings(residuals, given.alone, Design()), reading, groups)
    return found


BIAS = 2.0
"""Bias in stated sds of the series that are searched."""


def _count(
    found: Searches, shown: Findings, reading: int | None, groups: NDArray[np.int64]
) -> None:
    found.wrong_sds += bool(shown.spreads)
    found.slips += bool(shown.strays)
    mine = [
        b for b in shown.biases if reading is not None and _is(b.bias.instrument, reading, groups)
    ]
    found.others += len(shown.biases) > len(mine)
    found.among += any(
        reading in (b.bias.instrument, *(rival.instrument for rival in b.rivals))
        for b in shown.biases
    )
    if mine:
        found.named += 1
        found.start_held += mine[0].earliest <= START <= mine[0].latest
        if mine[0].bias.instrument == reading:
            found.itself += 1
            found.size_held += abs(mine[0].size - BIAS) <= 1.96 * mine[0].sd


def _is(instrument: int, reading: int, groups: NDArray[np.int64]) -> bool:
    return bool(groups[instrument] == groups[reading])


@dataclass(frozen=True)
class Recovery:
    """
    Estimated over true sds of the readings that the series tells, (series, readings).

    ``bound`` (readings,) is the Cramér-Rao bound of their relative error with all of these free,
    ``simple`` 1 / sqrt(2 n r).
    """

    told: int
    ratio: Array
    bound: Array
    simple: Array

    @property
    def error(self) -> Figure:
        """Root mean square of the relative error over readings and series."""
        square = ((self.ratio - 1) ** 2).mean(axis=1)
        root = float(square.mean() ** 0.5)
        return Figure(root, float(square.std() / len(square) ** 0.5 / (2 * root)))


def recovered(given: Network, runs: int, seed: int) -> Recovery:
    """Estimate all sds that 200 shifts tell, where each is as stated."""
    rng, instruments = np.random.default_rng(seed), given.alone
    found: list[Components] = []
    told = np.zeros(0, dtype=np.int64)
    for _ in range(runs):
        residuals = given.drawn(rng, SHIFTS)
        charted = np.flatnonzero(given.groups() >= 0)
        told = tellable_of(residuals, instruments, charted)
        found.append(components(residuals, instruments, told))
    ratio = np.sqrt(np.array([f.ratio[told] for f in found]))
    bound = _bound(given, told)
    return Recovery(len(told), ratio, bound, (2 * SHIFTS * given.redundancy[told]) ** -0.5)


def _bound(given: Network, told: NDArray[np.int64]) -> Array:
    """Give the Cramér-Rao bound of relative errors of sds, all of ``told`` free."""
    joint = (given.rows[told] @ given.rows[told].T) ** 2
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(SHIFTS / 2 * joint))) / 2)


@dataclass(frozen=True)
class WrongSd:
    """
    How often a wrong sd is named, how often it is among those named, and how well it is estimated.

    ``error`` is the relative error of the estimate where the reading itself was named, none where
    that never was but a twin of it; ``bound`` that of Cramér and Rao with the other sds known,
    ``v / (r ρ² √(2 n))`` with ``v = 1 + (ρ² - 1) r`` the variance of the standardised residual.
    """

    named: Figure
    among: Figure
    error: Figure | None
    bound: float


def wrong_sd(given: Network, reading: int, runs: int, seed: int) -> WrongSd:
    """Make one sd larger than stated, and search."""
    rng, groups, named, among = np.random.default_rng(seed), given.groups(), 0, 0
    ratios: list[float] = []
    for _ in range(runs):
        errors = rng.standard_normal((SHIFTS, given.count))
        errors[:, reading] *= WRONG
        shown = findings(given.residuals(errors), given.alone, Design()).spreads
        named += any(_is(s.instrument, reading, groups) for s in shown)
        among += any(
            reading in (s.instrument, *(rival.instrument for rival in s.rivals)) for s in shown
        )
        ratios += [s.ratio for s in shown if s.instrument == reading]
    r = given.redundancy[reading]
    bound = (1 + (WRONG**2 - 1) * r) / (r * WRONG**2) / (2 * SHIFTS) ** 0.5
    error = _root_mean_square(np.array(ratios) / WRONG - 1) if ratios else None
    return WrongSd(share(named, runs), share(among, runs), error, float(bound))


def _root_mean_square(errors: Array) -> Figure:
    """Give the root mean square of errors (series,)."""
    square = errors**2
    root = float(square.mean() ** 0.5)
    return Figure(root, float(square.std() / len(square) ** 0.5 / (2 * root)))


def in_full(given: Network, reading: int, runs: int, seed: int) -> tuple[Figure, Figure, Figure]:
    """
    Balance series of readings shift by shift: false alarms, delay, and how often it is named.

    The bias is one sd for the delay of the reading's own chart, two for the search.
    """
    rng, chart, groups = np.random.default_rng(seed), given.chart(), given.groups()
    alarms, told, named = 0, [], 0
    for _ in range(runs):
        errors = rng.standard_normal((SHIFTS, given.count))
        quiet = _series(given.flowsheet, _read(given, errors))
        assert quiet.findings is not None
        alarms += bool(quiet.findings.sums.peak[groups >= 0].max() > chart.limit)
        errors[START:, reading] += 1.0
        series = _series(given.flowsheet, _read(given, errors))
        scores = scores_of(series.residuals, series.residuals.bases)
        sums = sums_of(scores.standardised[:, [reading]], chart.allowance)
        first = int(sums.first_above(chart.limit)[0])
        told += [first + 1 - START] if first >= START else []
        errors[START:, reading] += BIAS - 1.0
        shown = _series(given.flowsheet, _read(given, errors)).findings
        assert shown is not None
        named += any(_is(b.bias.instrument, reading, groups) for b in shown.biases)
    return share(alarms, runs), median(np.array(told, dtype=np.float64)), share(named, runs)


def _read(given: Network, errors: Array) -> list[list[Reading]]:
    return [
        [
            replace(r, value=r.value + r.sd * e)
            for r, e in zip(given.readings, row.tolist(), strict=True)
        ]
        for row in errors
    ]


def report(given: Network, runs: int) -> Iterator[str]:
    """Say in words what came out for one network."""
    chart, groups = given.chart(), given.groups()
    charts = int(groups.max()) + 1
    quiet = float(chart.quiet(SHIFTS)[-1])
    yield (
        f"{given.name}: {given.count} readings, {given.rows.shape[1]} degrees of freedom, "
        f"{charts} charts, limit {chart.limit:.2f}"
    )
    yield (
        f"  false alarm in {SHIFTS} shifts: {falsely(given, 5 * runs, 1)}, "
        f"at most {1 - quiet ** (2 * charts):.3g} by theory"
    )
    none = searched(given, None, runs, 2)
    yield (
        f"  nothing wrong: a drift named in {share(none.others, runs)}, an sd in "
        f"{share(none.wrong_sds, runs)}, a slip in {share(none.slips, runs)}"
    )
    for reading in given.chosen():
        r = given.redundancy[reading]
        waited = delays(given, reading, 5 * runs, 3)
        yield (
            f"  r = {r:.3f}: one sd from shift 50: told after {median(waited)} shifts "
            f"(median), {expected_delay(chart, r)} by theory"
        )
        found = searched(given, reading, runs, 4)
        yield (
            f"    {BIAS:g} sd: named {share(found.named, runs)}, among those named "
            f"{share(found.among, runs)}, another named as well {share(found.others, runs)}; start "
            f"held {share(found.start_held, max(found.named, 1))}, size held "
            f"{share(found.size_held, max(found.itself, 1))}"
        )
        wrong = wrong_sd(given, reading, runs, 5)
        yield (
            f"    sd {WRONG} times the one stated: named {wrong.named}, among those named "
            f"{wrong.among}; relative error {wrong.error or 'unknown, its twin is named'}, bound "
            f"{wrong.bound:.3f}, 1/sqrt(2 n r) {(2 * SHIFTS * r) ** -0.5:.3f}"
        )
    back = recovered(given, runs, 6)
    yield (
        f"  all sds free: {back.told} of {given.count} told; relative error {back.error}, bound "
        f"{(back.bound**2).mean() ** 0.5:.3f}, 1/sqrt(2 n r) {(back.simple**2).mean() ** 0.5:.3f}"
    )


def main() -> None:
    """Print the figures of all networks."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for given in networks():
        for line in report(given, runs):
            sys.stdout.write(line + "\n")
            sys.stdout.flush()
        if given.name in ("bypass", "rougher-cleaner-scavenger"):
            reading, some = given.chosen()[0], max(runs // 5, 10)
            alarm, delay, named = in_full(given, reading, some, 7)
            sys.stdout.write(
                f"  balanced shift by shift, {some} series: false alarm {alarm}, one sd told after "
                f"{delay} shifts, {BIAS:g} sd named {named}\n"
            )


if __name__ == "__main__":
    main()
