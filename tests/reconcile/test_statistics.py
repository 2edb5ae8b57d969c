"""
What the stated uncertainties are worth: classes, sds and tests against independent roads.

The simulations draw readings from a known truth with sds taken from that truth; the full
studies have the marker ``study``.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats as ss

from reconcile import Flowsheet, Reading, Stream, reconcile_balance
from reconcile.balance import Knowledge, Outcome
from tests.flowsheets import Circuit, Sampling, random_circuit
from tests.peers.dense import Dense, clearness
from tests.peers.general import unbounded
from tests.peers.statement import Array, stated
from tests.studies.coverage import Study, example_circuit, simulate

DETERMINED = {Knowledge.REDUNDANT, Knowledge.NONREDUNDANT, Knowledge.OBSERVABLE}


def circuit_of(seed: int) -> Circuit:
    """Give a random circuit; every fourth has no mass reading, errors are small."""
    rng = np.random.default_rng([seed, 11])
    return random_circuit(
        seed + 9000,
        streams=int(rng.integers(3, 22)),
        components=int(rng.integers(0 if seed % 4 else 1, 4)),
        sampling=Sampling(
            missing=float(rng.uniform(0.1, 0.6)),
            masses=bool(seed % 4),
            mass_error=(0.002, 0.01),
            assay_error=(0.002, 0.01),
        ),
    )


def dense_of(circuit: Circuit) -> Dense | None:
    """Give the dense view at an independent optimum without active bounds, if there is one."""
    statement = stated(circuit.flowsheet, circuit.readings)
    z = unbounded(statement, statement.coordinates(circuit.truth))
    if np.min(statement.bounds @ z) < 1e-8:
        return None
    dense = Dense(statement, statement.flows(z))
    return dense if clearness(dense.slopes) == 1.0 else None


SEEDS = range(80)

LINES = 25
"""How many separate lines one request carries in the studies of bias."""


@pytest.mark.parametrize("seed", SEEDS)
def test_classes_are_those_of_a_dense_rank_computation(seed: int):
    """Redundant, nonredundant, observable, unobservable and the freedom, by singular values."""
    circuit = circuit_of(seed)
    dense = dense_of(circuit)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    if dense is None or balance.outcome is not Outcome.CLOSED:
        pytest.skip("a bound is active or the rank is not plain")
    read = {(r.stream, r.of): i for i, r in enumerate(circuit.readings)}
    expected: dict[tuple[str, str, str], Knowledge] = {}
    sheet = circuit.flowsheet
    for s, stream in enumerate(sheet.streams):
        for q, of in enumerate(sheet.quantities):
            gradient = dense.mass(s) if q == 0 else dense.assay(s, q)
            i = read.get((stream.name, of))
            if i is None:
                known = dense.knows(gradient)
                cls = Knowledge.OBSERVABLE if known else Knowledge.UNOBSERVABLE
            else:
                redundant = dense.knows(gradient, without=i)
                cls = Knowledge.REDUNDANT if redundant else Knowledge.NONREDUNDANT
            expected["reading" if i is not None else "unread", stream.name, of] = cls

    found = {
        key: balance.masses[key[1]].knowledge
        if key[2] == "mass"
        else balance.assays[key[1], key[2]].knowledge
        for key in expected
    }

    assert found == expected
    assert balance.test is not None
    assert balance.test.degrees_of_freedom == dense.degrees_of_freedom


def ratios(circuit: Circuit, dense: Dense) -> dict[tuple[str, str, str], Array]:
    """Give the gradient of every split, by names; and of component masses."""
    sheet = circuit.flowsheet
    gradients = {}
    for s, stream in enumerate(sheet.streams):
        inlets = [i for i, other in enumerate(sheet.streams) if other.target == stream.source]
        for q, of in enumerate(sheet.quantities):
            if stream.source is not None:
                gradients["split", stream.name, of] = dense.share(s, q, inlets)
            if q:
                gradients["component mass", stream.name, of] = dense.component_mass(s, q)
    return gradients


def _whole(sheet: Flowsheet) -> bool:
    """Say whether every stream hangs together with every other."""
    joined = {sheet.nodes[0]}
    while True:
        more = {
            end
            for s in sheet.streams
            for end in (s.source, s.target)
            if end is not None and {s.source, s.target} & joined
        } - joined
        if not more:
            return len(joined) == len(sheet.nodes)
        joined |= more


@pytest.mark.parametrize("seed", SEEDS)
def test_ratios_are_known_exactly_where_their_gradient_is_determined(seed: int):
    """Yields, recoveries, splits and component masses are classed for themselves."""
    circuit = circuit_of(seed)
    dense = dense_of(circuit)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    if dense is None or balance.outcome is not Outcome.CLOSED:
        pytest.skip("a bound is active or the rank is not plain")
    sheet = circuit.flowsheet
    expected = {key: dense.knows(g) for key, g in ratios(circuit, dense).items()}
    found = {
        key: (balance.splits if key[0] == "split" else balance.component_masses)[key[1:]].knowledge
        in DETERMINED
        for key in expected
    }
    if _whole(sheet):
        feeds = [s for s, stream in enumerate(sheet.streams) if stream.source is None]
        for s, stream in enumerate(sheet.streams):
            for q, of in enumerate(sheet.quantities):
                key = ("of feed", stream.name, of)
                known = balance.recoveries[stream.name, of] if q else balance.yields[stream.name]
                expected[key] = dense.knows(dense.share(s, q, feeds))
                found[key] = known.knowledge in DETERMINED

    assert found == expected


@pytest.mark.parametrize("seed", SEEDS)
def test_posterior_errors_are_those_of_the_dense_formula(seed: int):
    """Every known sd equals ``g (Jᵀ V⁻¹ J)⁺ gᵀ`` on the null-space basis; adjustments too."""
    circuit = circuit_of(seed)
    dense = dense_of(circuit)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    if dense is None or balance.outcome is not Outcome.CLOSED:
        pytest.skip("a bound is active or the rank is not plain")
    sheet = circuit.flowsheet
    pairs = []
    for s, stream in enumerate(sheet.streams):
        for q, of in enumerate(sheet.quantities):
            e = balance.assays[stream.name, of] if q else balance.masses[stream.name]
            pairs.append((e, dense.assay(s, q) if q else dense.mass(s)))
    for key, gradient in ratios(circuit, dense).items():
        source = balance.splits if key[0] == "split" else balance.component_masses
        pairs.append((source[key[1:]], gradient))
    covariance = dense.covariance
    known = [(e, g) for e, g in pairs if e.value is not None]

    found = np.array([e.sd for e, _ in known])
    expected = np.sqrt([max(g @ covariance @ g, 0.0) for _, g in known])

    scale = np.array([abs(e.value) for e, _ in known])
    np.testing.assert_array_less(np.abs(found - expected), 1e-6 * expected + 1e-9 * scale + 1e-300)


@pytest.mark.parametrize("seed", SEEDS)
def test_standardised_adjustments_are_over_their_own_error(seed: int):
    """``(reconciled - reading) / sqrt(sd² - posterior variance)``, none where unchecked."""
    circuit = circuit_of(seed)
    dense = dense_of(circuit)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    if dense is None or balance.outcome is not Outcome.CLOSED:
        pytest.skip("a bound is active or the rank is not plain")
    index, quantity = circuit.flowsheet.stream_index, circuit.flowsheet.quantity_index
    for r in circuit.readings:
        e = balance.masses[r.stream] if r.of == "mass" else balance.assays[r.stream, r.of]
        s, q = index[r.stream], quantity[r.of]
        x = dense.flows
        fitted = x[s, q] / x[s, 0] if q else x[s, 0]
        share = dense.sd(dense.assay(s, q) if q else dense.mass(s)) / r.sd
        assert e.adjustment == pytest.approx(fitted - r.value, rel=1e-6, abs=1e-7 * r.sd)
        if e.knowledge is Knowledge.NONREDUNDANT:
            assert e.standardised is None
        elif share < 0.999:
            own = r.sd * math.sqrt(1 - share**2)
            assert e.standardised == pytest.approx((fitted - r.value) / own, rel=1e-4, abs=1e-6)


# --- simulations ----------------------------------------------------------------------------


def _judge(study: Study) -> None:
    """Hold the mean objective within 3 standard errors, the coverage within a familywise band."""
    error = math.sqrt(2 * study.degrees_of_freedom / study.draws)
    assert abs(study.mean_objective - study.degrees_of_freedom) < 3 * error
    tail = 0.01 / (2 * len(study.covered))
    low, high = ss.binom.ppf([tail, 1 - tail], study.draws, 0.95)
    outside = {k: n for k, n in study.covered.items() if not low <= n <= high}
    assert outside == {}


def test_the_objective_and_the_intervals_keep_their_promises():
    """
    300 draws on a recycle circuit without active bounds.

    The objective's mean is the degrees of freedom, and 95 % intervals of masses, assays and
    recoveries cover the truth as often as they say.
    """
    circuit = random_circuit(
        4211,
        streams=12,
        components=2,
        sampling=Sampling(missing=0.2, mass_error=(0.01, 0.02), assay_error=(0.01, 0.02)),
    )

    _judge(simulate(circuit, draws=300, seed=1))


@pytest.mark.parametrize("name", ["tin-shed", "rougher-cleaner-scavenger"])
def test_the_example_circuits_keep_their_promises_in_a_quick_look(name: str):
    """300 draws around the reconciled example; the full study is ``tests.studies.coverage``."""
    _judge(simulate(example_circuit(name), draws=300, seed=2))


@pytest.mark.study
@pytest.mark.parametrize("name", ["tin-shed", "rougher-cleaner-scavenger"])
def test_the_example_circuits_keep_their_promises(name: str):
    """5,000 draws around the reconciled example, masses, assays and recoveries."""
    _judge(simulate(example_circuit(name), draws=5000, seed=3))


# --- the known bias of relative errors at the reading ---------------------------------------


def _chains(count: int, readings: int, *, fixed: bool) -> tuple[Flowsheet, list[list[str]]]:
    """
    Give separate lines of nodes, each with the same mass in all its streams, and what is read.

    With ``fixed`` every line ends in one more stream, which is not in the lists.
    """
    links = readings if fixed else readings - 1
    names = [[f"line {c} stream {i}" for i in range(links + 1)] for c in range(count)]
    nodes = [[f"line {c} node {i}" for i in range(links)] for c in range(count)]
    streams = tuple(
        Stream(name, line[i - 1] if i else None, line[i] if i < links else None)
        for line, own in zip(nodes, names, strict=True)
        for i, name in enumerate(own)
    )
    sheet = Flowsheet(tuple(n for line in nodes for n in line), streams)
    return sheet, [own[:readings] for own in names]


def _drawn(names: list[list[str]], rng: np.random.Generator, r: float, *, own: bool):
    """Read 100 with a relative error, its sd taken from the reading itself or from the truth."""
    for line in names:
        for name, draw in zip(line, rng.normal(size=len(line)), strict=True):
            value = 100 * (1 + r * draw)
            yield Reading(name, "mass", value, r * (abs(value) if own else 100.0))


def _mean_objective(r: float, *, own: bool, draws: int) -> float:
    """Give the mean squared adjustment over sd of many readings, each against a fixed 100."""
    sheet, names = _chains(LINES, 1, fixed=True)
    fixed = [Reading(f"line {c} stream 1", "mass", 100.0, 0.0) for c in range(LINES)]
    rng = np.random.default_rng(12)
    total = 0.0
    for _ in range(draws):
        test = reconcile_balance(sheet, [*fixed, *_drawn(names, rng, r, own=own)]).test
        assert test is not None
        total += test.statistic
    return total / (LINES * draws)


def test_relative_errors_at_the_reading_inflate_the_objective():
    """
    About ``1 + 9 r²`` each, against 1 with sds of the truth.

    Series of ``(μ/y - 1)² / r²`` for ``y = μ (1 + r ε)``: ``1 + 9 r² + 75 r⁴`` in the mean.
    """
    r, draws = 0.1, 120
    error = math.sqrt(2 / (LINES * draws))

    inflated = _mean_objective(r, own=True, draws=draws)
    honest = _mean_objective(r, own=False, draws=draws)

    assert abs(honest - 1) < 3 * error
    # The inflated terms spread wider: their own standard error is about 1.7 times the plain one.
    assert abs(inflated - (1 + 9 * r**2 + 75 * r**4)) < 3 * 1.7 * error
    assert inflated - honest > 2 * error


def test_relative_errors_at_the_reading_pull_the_estimate_down():
    """
    The weighted mean of n equal flows is low by about ``2 r² (n - 1) / n`` of itself.

    Weights ``1/y²`` favour low readings; second-order expansion of ``Σ y⁻¹ / Σ y⁻²``.
    """
    r, n, lines, draws = 0.1, 10, 2, 60
    sheet, names = _chains(lines, n, fixed=False)
    error = r / math.sqrt(n * lines * draws)
    found = {}
    for own in (True, False):
        rng = np.random.default_rng(13)
        total = 0.0
        for _ in range(draws):
            balance = reconcile_balance(sheet, list(_drawn(names, rng, r, own=own)))
            total += math.fsum(balance.masses[line[0]].value or 0.0 for line in names)
        found[own] = total / (100 * lines * draws)

    assert abs(found[False] - 1) < 3 * error
    # Fourth order adds a few r⁴.
    assert abs(found[True] - (1 - 2 * r**2 * (n - 1) / n)) < 3 * error + 12 * r**4


# --- fixed readings in the posterior --------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_posterior_errors_with_fixed_readings_are_those_of_the_restricted_formula(seed: int):
    """A reading with sd 0 is an equation: the covariance lives on what it leaves free."""
    drawn = circuit_of(4 * seed + 1)
    index = drawn.flowsheet.stream_index
    first = next((r for r in drawn.readings if r.of == "mass"), None)
    if first is None:
        pytest.skip("no mass was read")
    fixed = replace(first, value=float(drawn.truth[index[first.stream], 0]), sd=0.0)
    readings = tuple(fixed if r is first else r for r in drawn.readings)
    blunt = Circuit(
        drawn.flowsheet,
        drawn.truth,
        tuple(replace(r, sd=r.sd or 1e-7 * r.value) for r in readings),
    )
    dense = dense_of(blunt)
    balance = reconcile_balance(drawn.flowsheet, readings)
    if dense is None or balance.outcome is not Outcome.CLOSED:
        pytest.skip("a bound is active or the rank is not plain")
    exact = Dense(stated(drawn.flowsheet, readings), dense.flows)
    covariance = exact.covariance
    for s, stream in enumerate(drawn.flowsheet.streams):
        e = balance.masses[stream.name]
        if e.value is not None:
            g = exact.mass(s)
            expected = math.sqrt(max(g @ covariance @ g, 0.0))
            assert e.sd == pytest.approx(expected, rel=1e-4, abs=1e-7 * e.value)
