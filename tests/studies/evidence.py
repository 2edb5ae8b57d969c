"""
Calibration of the evidence: false alarms, power, identification, several errors, exchanges.

Run ``python -m tests.studies.evidence`` from the root, with names of parts to run those alone:
global, alarms, power, identification, several, exchanges, findings.  Readings are drawn around a
truth with the sds fixed.  The global test, exchanges and findings go through full balances; what is
a matter of residuals alone is drawn in their linearised space, with the search itself at work.
Every figure has its Monte Carlo standard error.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, ncx2, norm

from reconcile import Flowsheet, Options, Reading, reconcile_balance
from reconcile.engine import MENDED, walked
from reconcile.evidence.elimination import Elimination, View
from reconcile.evidence.exchanges import Exchanges
from reconcile.evidence.mending import mending
from reconcile.evidence.multiplicity import size_of, threshold
from reconcile.evidence.odds import log_prior
from reconcile.evidence.serial import Search
from reconcile.findings import Exchanged, Hypothesis, Suspicion
from reconcile.kernel.lazy import lazy
from reconcile.linearisation import Linearisation
from reconcile.model import keys_of
from reconcile.options import Control, Prior, Scrutiny
from reconcile.plan import PLANS
from reconcile.stack import objectives, reconcile_stack
from tests.flowsheets import Circuit, Sampling, bypass_network, exact, random_circuit
from tests.studies.coverage import example_circuit

Array = NDArray[np.float64]

LEVEL = 0.05
ANGLE = 5.0
SIZES = (3.0, 5.0, 8.0, 12.0, 15.0)
"""Gross errors, in standard deviations of the reading."""

LARGE = 250
"""Readings from which a network gets fewer draws of full balances."""

RANDOM = ((11, 30, 3), (5, 60, 3), (21, 100, 3))
"""Seeds, streams and components of the random networks."""


def _bypass() -> Circuit:
    truth = np.array([[100.0], [64.0], [36.0], [64.0], [36.0], [100.0]])
    readings = tuple(Reading(str(i + 1), "mass", float(v), 1.0) for i, (v,) in enumerate(truth))
    return Circuit(bypass_network(), truth, readings)


@cache
def networks() -> dict[str, Circuit]:
    """Give the networks, every reading on the truth and its sd as it stands."""
    circuits = {"bypass": _bypass()}
    for name in ("tin-shed", "rougher-cleaner-scavenger"):
        circuits[name] = exact(example_circuit(name))
    for seed, streams, components in RANDOM:
        made = random_circuit(
            seed,
            streams=streams,
            components=components,
            sampling=Sampling(0.2, (0.005, 0.02), (0.01, 0.03)),
        )
        circuits[f"random {streams}"] = exact(made)
    return circuits


@dataclass(frozen=True)
class Ground:
    """One network: the linearised residual space at the truth."""

    circuit: Circuit

    @property
    def sheet(self) -> Flowsheet:
        """The flowsheet."""
        return self.circuit.flowsheet

    @lazy
    def at(self) -> Linearisation:
        """The linearisation at the truth."""
        return linearised(self.sheet, self.circuit.readings)

    @lazy
    def view(self) -> View:
        """What is searched there."""
        readings = self.circuit.readings
        return View(self.at, readings, range(len(readings)), Scrutiny(LEVEL, angle=ANGLE))

    @lazy
    def degrees(self) -> int:
        """Degrees of freedom."""
        return self.at.solution.plan.degrees_of_freedom

    @lazy
    def signatures(self) -> Array:
        """What each error of size one does to the residuals, (hypotheses, used)."""
        search = self.view.search
        return np.array([search.signature(k).seen for k in range(self.view.tried)])

    @lazy
    def basis(self) -> Array:
        """An orthonormal basis of the residual space, (used, degrees)."""
        rows = np.arange(len(self.view.search.space.room))
        sizes, along = np.linalg.eigh(self.view.search.space.columns(rows))
        return along[:, sizes > 0.5]

    @lazy
    def readings(self) -> list[int]:
        """Positions of the hypotheses that are of single readings."""
        every = self.view.search.space.hypotheses
        return [k for k, h in enumerate(every) if h.suspicion is Suspicion.READING]

    def alike(self, k: int) -> set[int]:
        """Give the hypotheses that cannot be told from ``k``."""
        unit = self.signatures / np.linalg.norm(self.signatures, axis=1, keepdims=True)
        return set(np.flatnonzero(np.abs(unit @ unit[k]) >= np.cos(np.radians(ANGLE))).tolist())

    def drawn(self, rng: np.random.Generator, draws: int, errors: dict[int, float]) -> Array:
        """Draw residuals (draws, used) with errors of these sizes, in sds of their readings."""
        noise = rng.standard_normal((draws, self.basis.shape[1])) @ self.basis.T
        sds = self.view.search.space.sds
        return noise + sum(size * sds[k] * self.signatures[k] for k, size in errors.items())

    def elimination(self, residual: Array, prior: Prior | None = None) -> Elimination:
        """Give the search, without exchanges, in residuals as drawn."""
        view = replace(self.view, _judged={})
        space = replace(self.view.search.space)
        space.__dict__["scores"] = self.signatures @ residual
        weights = log_prior(space.hypotheses, prior or self.view.scrutiny.prior)
        view.__dict__["search"] = Search(space, weights, self.view.search.known)
        view.__dict__["exchanges"] = _None(view.search, (), ())
        return Elimination(view, lambda _: None)


class _None(Exchanges):
    """No exchanges."""

    possible = 0  # type: ignore[assignment]


def linearised(sheet: Flowsheet, readings: tuple[Reading, ...] | list[Reading]) -> Linearisation:
    """Balance and linearise."""
    found = walked(sheet, readings, Options(), lambda solution, _: Linearisation(solution))
    assert isinstance(found, Linearisation), found.failure
    return found


@cache
def ground(name: str) -> Ground:
    """Give a network's ground."""
    return Ground(networks()[name])


def rate(hits: int, of: int) -> str:
    """Write a rate in % with its standard error."""
    p = hits / of
    spread = max(np.sqrt(p * (1 - p) / of), 0.5 / of)
    return f"{100 * p:.1f} ± {100 * spread:.1f}"


def _noisy(circuit: Circuit, rng: np.random.Generator, draws: int) -> tuple[Array, Array]:
    truth = np.array([r.value for r in circuit.readings])
    sds = np.array([r.sd for r in circuit.readings])
    return truth + sds * rng.standard_normal((draws, len(truth))), np.tile(sds, (draws, 1))


def global_alarms(name: str, draws: int, seed: int = 1) -> tuple[int, int]:
    """Give how often the global test rejects sound readings, by full balances, and of how many."""
    it = ground(name)
    values, sds = _noisy(it.circuit, np.random.default_rng(seed), draws)
    stack = reconcile_stack(it.sheet, it.circuit.readings, values, sds, Options(1e4))
    sound = stack.closed
    critical = chi2.isf(LEVEL, it.degrees)
    return int((stack.objective[sound] > critical).sum()), int(sound.sum())


def family_alarms(name: str, draws: int, control: Control, seed: int = 2) -> int:
    """Give how often any reading is significant with nothing wrong, in the residual space."""
    it = ground(name)
    chosen = it.signatures[it.readings]
    unit = (chosen / np.linalg.norm(chosen, axis=1, keepdims=True)) @ it.basis
    z = np.random.default_rng(seed).standard_normal((draws, it.basis.shape[1]))
    worst = np.abs(z @ unit.T).max(axis=1)
    return int((worst > size_of(threshold(control, LEVEL, len(chosen)))).sum())


def global_power(name: str, draws: int, errors: int, seed: int = 3) -> tuple[float, int, int]:
    """
    Give predicted power, rejections and draws with one gross error, by full balances.

    The error is of a random reading that is checked, of a random size among :data:`SIZES`; the
    prediction is the non-central chi-square with ``b² M_ii``, averaged over the errors.
    """
    it, rng = ground(name), np.random.default_rng(seed)
    critical, predicted, hits, done = chi2.isf(LEVEL, it.degrees), 0.0, 0, 0
    for _ in range(errors):
        k, size = int(rng.choice(it.readings)), float(rng.choice(SIZES))
        (i,) = it.view.search.space.hypotheses[k].readings
        seen = size * it.view.search.space.sds[k] * np.linalg.norm(it.signatures[k])
        values, sds = _noisy(it.circuit, rng, draws)
        values[:, i] += size * sds[:, i]
        stack = reconcile_stack(it.sheet, it.circuit.readings, values, sds, Options(1e4))
        sound = int(stack.closed.sum())
        hits += int((stack.objective[stack.closed] > critical).sum())
        predicted += sound * float(ncx2.sf(critical, it.degrees, seen**2))
        done += sound
    return predicted / done, hits, done


@dataclass
class Identified:
    """What came of draws with one error: found at all, found rightly, and what the oracle found."""

    draws: int = 0
    detected: int = 0
    right: int = 0
    oracle: int = 0
    oracle_detected: int = 0


def identified(name: str, draws: int, size: float, seed: int = 4) -> Identified:
    """Count over random readings with an error of ``size`` sds, in the residual space."""
    it, rng, found = ground(name), np.random.default_rng(seed), Identified()
    lengths = it.view.search.space.lengths[it.readings]
    every = it.view.search.space.hypotheses
    for _ in range(draws):
        k = int(rng.choice(it.readings))
        residual = it.drawn(rng, 1, {k: size})[0]
        alike = it.alike(k)
        statistic = np.abs(it.signatures[it.readings] @ residual) / np.sqrt(lengths)
        oracle = it.readings[int(np.argmax(statistic))] in alike
        _, chosen = it.elimination(residual).found(it.degrees)
        first = [every.index(h) for h in chosen]
        found.draws += 1
        found.oracle += oracle
        found.detected += bool(first)
        found.right += bool(set(first) & alike)
        found.oracle_detected += oracle and bool(first)
    return found


@dataclass
class Several:
    """Overall power and average number of type I errors, sums over the draws."""

    draws: int = 0
    errors: int = 0
    right: int = 0
    wrong: int = 0
    plain_right: int = 0
    plain_wrong: int = 0


def plain_serial(it: Ground, residual: Array) -> list[int]:
    """
    Plain serial elimination: the reading with the largest test, then again without it.

    Ripps 1965 with the maximum-power adjustment test and Sidak's limit, readings alone, nothing
    taken back.  Written here by itself, in dense algebra.
    """
    columns = it.signatures[it.readings].T.copy()
    first = np.linalg.norm(columns, axis=0)
    chosen: list[int] = []
    rest = residual.copy()
    while len(chosen) < min(6, it.degrees):
        size = np.linalg.norm(columns, axis=0)
        open_ = size > 1e-3 * first
        statistic = np.where(open_, np.abs(columns.T @ rest) / np.where(open_, size, 1.0), 0.0)
        best = int(np.argmax(statistic))
        if statistic[best] < size_of(threshold(Control.SIDAK, LEVEL, len(it.readings))):
            break
        chosen.append(it.readings[best])
        unit = columns[:, best] / size[best]
        rest = rest - unit * (unit @ rest)
        columns = columns - np.outer(unit, unit @ columns)
    return chosen


def _scored(it: Ground, truth: list[int], chosen: list[int]) -> tuple[int, int]:
    """Give how many of the true errors were named, by themselves or by their like, and others."""
    left, right = list(chosen), 0
    for k in truth:
        hit = next((c for c in left if c in it.alike(k)), None)
        if hit is not None:
            left.remove(hit)
            right += 1
    return right, len(left)


def several(name: str, draws: int, errors: int, *, leaks: bool, seed: int = 5) -> Several:
    """
    Count over random sets of errors of 5 to 15 sds, signs at random, in the residual space.

    ``leaks`` says whether they count as possible beside readings; plain elimination knows none.
    """
    it, rng, found = ground(name), np.random.default_rng(seed), Several()
    prior = it.view.scrutiny.prior if leaks else Prior(1.0, 0.0, 0.0)
    every = it.view.search.space.hypotheses
    for _ in range(draws):
        truth = rng.choice(it.readings, size=errors, replace=False).tolist()
        sizes = rng.uniform(5, 15, errors) * rng.choice((-1, 1), errors)
        residual = it.drawn(rng, 1, dict(zip(truth, sizes.tolist(), strict=True)))[0]
        _, chosen = it.elimination(residual, prior).found(it.degrees)
        ours = _scored(it, truth, [every.index(h) for h in chosen])
        plain = _scored(it, truth, plain_serial(it, residual))
        found.draws += 1
        found.errors += errors
        found.right += ours[0]
        found.wrong += ours[1]
        found.plain_right += plain[0]
        found.plain_wrong += plain[1]
    return found


def searched(sheet: Flowsheet, readings: list[Reading]) -> list[Hypothesis]:
    """Give all explanations that the findings of a full balance tell."""
    scrutiny = Scrutiny(LEVEL, angle=ANGLE)
    with np.errstate(all="ignore"):
        balance = reconcile_balance(sheet, readings, Options(scrutiny=scrutiny))
    if balance.evidence is not None:
        told = (one for f in balance.evidence.findings for one in f.explanations)
        return [one.test.hypothesis for one in told]
    # Without a balance the failure names the exchange that would lead to a sound one.
    keys = keys_of(sheet, readings)
    plan = PLANS.of(sheet, keys, [r.loss for r in readings], [r.sd == 0 for r in readings])

    def side_by_side(values: Array, sds: Array) -> Array:
        with np.errstate(all="ignore"):
            return objectives(plan, values, sds, Options(), plan.budget)

    mended = mending(sheet, readings, side_by_side)
    sound = mended and chi2.sf(mended[0][0], plan.degrees_of_freedom) >= MENDED
    return [mended[0][1]] if sound else []


def exchange_power(it: Ground, i: int, j: int, draws: int = 4000) -> float:
    """
    Give the power of the likelihood ratio test of one exchange, by theory.

    The deviation of the two readings from what all others say is normal, with ``M⁻¹`` over their
    rows for its covariance; the ratio of the densities is drawn, exchange true.
    """
    rng = np.random.default_rng(0)
    space, solution = it.view.search.space, it.at.solution
    inner = space.columns(np.array([i, j]))[[i, j]]
    inverse = np.linalg.inv(inner + 1e-9 * np.eye(2))
    y, sd = solution.values[solution.used][[i, j]], solution.sds[solution.used][[i, j]]
    after = inverse - np.eye(2) + np.diag((sd[::-1] / sd) ** 2)
    sizes, along = np.linalg.eigh(0.5 * (after + after.T))
    root = along * np.sqrt(np.maximum(sizes, 0.0))
    # The truth is in the other place: what was read misses by the difference, with the sds moved.
    missed = rng.standard_normal((draws, 2)) @ root.T
    shift = (y - y[::-1]) / sd
    before = missed - shift
    ratio = 0.5 * np.einsum("ki,ij,kj->k", before, np.linalg.inv(inverse), before)
    ratio -= 0.5 * np.einsum("ki,ij,kj->k", missed, np.linalg.inv(after), missed)
    ratio -= 0.5 * (np.linalg.slogdet(after)[1] - np.linalg.slogdet(inverse)[1])
    limit = norm.isf(it.view.limit(it.view.exchanges.possible, 1)) ** 2 / 2
    return float((ratio > limit).mean())


def _sure_exchanges(it: Ground, rng: np.random.Generator, most: int) -> Iterator[tuple[int, int]]:
    """Give random pairs of readings whose exchange has a theoretical power over 0.99."""
    groups = it.view.exchanges.alike
    pairs = [(a, b) for g in groups.values() for n, a in enumerate(g) for b in g[:n]]
    given = 0
    for k in rng.permutation(len(pairs)).tolist():
        if given == most:
            return
        if exchange_power(it, *pairs[k]) > 0.99:
            given += 1
            yield pairs[k]


def exchanges_found(name: str, most: int, seed: int = 6) -> tuple[int, int]:
    """Give how many sure exchanges of two readings are found by full balances, and of how many."""
    it, rng = ground(name), np.random.default_rng(seed)
    readings, hits, done = it.circuit.readings, 0, 0
    at = it.view.exchanges.reading_at
    for a, b in _sure_exchanges(it, rng, most):
        i, j = at[a], at[b]
        values, _ = _noisy(it.circuit, rng, 1)
        drawn = [replace(r, value=float(v)) for r, v in zip(readings, values[0], strict=True)]
        wrong = list(drawn)
        wrong[i] = replace(drawn[i], value=drawn[j].value, sd=drawn[j].sd)
        wrong[j] = replace(drawn[j], value=drawn[i].value, sd=drawn[i].sd)
        hits += any(_names(h, i, j) for h in searched(it.sheet, wrong))
        done += 1
    return hits, done


def _names(hypothesis: Hypothesis, i: int, j: int) -> bool:
    """Say whether an exchange of these two is what was found."""
    pair = {i, j} == set(hypothesis.readings)
    return hypothesis.exchanged is Exchanged.VALUES and pair


def finding_alarms(name: str, draws: int, seed: int = 7) -> tuple[int, int, int]:
    """
    Give how often anything is found where nothing is wrong, by full balances with all tests.

    Findings, alarms of single readings, and draws.
    """
    it, rng = ground(name), np.random.default_rng(seed)
    options = Options(scrutiny=Scrutiny(LEVEL))
    found, single, done = 0, 0, 0
    for _ in range(draws):
        values, _ = _noisy(it.circuit, rng, 1)
        readings = [
            replace(r, value=float(v)) for r, v in zip(it.circuit.readings, values[0], strict=True)
        ]
        evidence = reconcile_balance(it.sheet, readings, options).evidence
        if evidence is None or evidence.readings is None:
            continue
        done += 1
        found += bool(evidence.findings)
        single += any(t.adjusted <= LEVEL for t in evidence.readings.tests)
    return found, single, done


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _fewer(name: str, draws: int) -> int:
    """Give fewer draws for a network that takes long."""
    return draws if len(ground(name).circuit.readings) < LARGE else draws // 8


def part_global() -> None:
    """Print rejections of the global test with nothing wrong."""
    _say("global test, nothing wrong, full balances: rejected %, of 5")
    for name in networks():
        it = ground(name)
        hits, done = global_alarms(name, _fewer(name, 10_000))
        counts = f"{len(it.circuit.readings)} readings, {it.degrees} degrees of freedom"
        _say(f"  {name}: {counts}, {done} draws: {rate(hits, done)}")


def part_alarms() -> None:
    """Print false alarms of the adjustment tests."""
    _say("adjustment tests, nothing wrong, residual space: any alarm %, at most 5")
    for name in networks():
        told = ", ".join(
            f"{control.value} {rate(family_alarms(name, 100_000, control), 100_000)}"
            for control in (Control.SIDAK, Control.BONFERRONI)
        )
        _say(f"  {name}: {told}")


def part_findings() -> None:
    """Print false findings by full balances."""
    _say("findings, nothing wrong, full balances: any finding %, any single reading %, at most 5")
    for name in networks():
        found, single, done = finding_alarms(name, 400 if _fewer(name, 8) == 8 else 150)
        _say(f"  {name}: {done} draws: {rate(found, done)}; {rate(single, done)}")


def part_power() -> None:
    """Print power of the global test."""
    _say(
        "one gross error of 3 to 15 sd: power % of the global test, predicted and by full balances"
    )
    for name in networks():
        predicted, hits, done = global_power(name, 60, _fewer(name, 100))
        _say(f"  {name}: predicted {100 * predicted:.1f}, {done} draws {rate(hits, done)}")


def part_identification() -> None:
    """Print identification of one gross error."""
    _say(
        "one gross error: found %, found rightly %, the oracle right %, oracle right where found %"
    )
    for name in networks():
        for size in SIZES:
            r = identified(name, 600, size)
            _say(
                f"  {name}, {size:g} sd: {rate(r.detected, r.draws)}; {rate(r.right, r.draws)}; "
                f"{rate(r.oracle, r.draws)}; {rate(r.oracle_detected, r.draws)}"
            )


def part_several() -> None:
    """Print overall power and type I errors with several gross errors."""
    _say("errors of 5 to 15 sd: overall power %, type I errors a draw; readings alone, with leaks")
    _say("possible, plain serial elimination of readings")
    for name in networks():
        for errors in (2, 3):
            if errors >= ground(name).degrees:
                continue
            alone = several(name, 600, errors, leaks=False)
            both = several(name, 600, errors, leaks=True)
            told = (
                _powers(alone.right, alone.wrong, alone),
                _powers(both.right, both.wrong, both),
                _powers(alone.plain_right, alone.plain_wrong, alone),
            )
            _say(f"  {name}, {errors}: {'; '.join(told)}")


def _powers(right: int, wrong: int, found: Several) -> str:
    spread = np.sqrt(max(wrong, 1)) / found.draws
    return f"{rate(right, found.errors)}, {wrong / found.draws:.2f} ± {spread:.2f}"


def part_exchanges() -> None:
    """Print exchanges found."""
    _say("two readings exchanged, theoretical power over 99 %, full balances: found %")
    for name in networks():
        hits, done = exchanges_found(name, 60 if _fewer(name, 8) == 8 else 40)
        _say(f"  {name}: {rate(hits, done) if done else 'no exchange is so sure'} of {done}")


PARTS: dict[str, Callable[[], None]] = {
    "alarms": part_alarms,
    "global": part_global,
    "identification": part_identification,
    "several": part_several,
    "power": part_power,
    "exchanges": part_exchanges,
    "findings": part_findings,
}


def main() -> None:
    """Run the parts asked for, or all."""
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()


if __name__ == "__main__":
    main()
