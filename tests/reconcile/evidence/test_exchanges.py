"""Bags, trays, values and components that stand in each other's place."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import scipy.linalg as sl

from reconcile import Flowsheet, Options, Reading, reconcile_balance
from reconcile.balance import Balance
from reconcile.findings import Exchanged, Suspicion
from reconcile.options import Prior, Scrutiny
from tests.flowsheets import Circuit, Sampling, bypass_network, random_circuit
from tests.studies.coverage import example_circuit

TRUTH = (100.0, 64.0, 36.0, 64.0, 36.0, 100.0)


def _balance(
    sheet: Flowsheet, readings: list[Reading], scrutiny: Scrutiny | None = None
) -> Balance:
    return reconcile_balance(sheet, readings, Options(scrutiny=scrutiny or Scrutiny()))


def _exchanged(readings: list[Reading], pairs: list[tuple[int, int]]) -> list[Reading]:
    result = list(readings)
    for a, b in pairs:
        result[a] = replace(readings[a], value=readings[b].value, sd=readings[b].sd)
        result[b] = replace(readings[b], value=readings[a].value, sd=readings[a].sd)
    return result


def _restricted(y: np.ndarray, sd: np.ndarray, design: np.ndarray) -> float:
    """Give minus the restricted log likelihood of ``y = design b + error`` (Harville 1974)."""
    white, target = design / sd[:, None], y / sd
    rest = target - white @ np.linalg.lstsq(white, target)[0]
    size = np.linalg.slogdet(white.T @ white)[1]
    return float(0.5 * rest @ rest + 0.5 * size + np.log(sd).sum())


def test_the_likelihood_ratio_is_that_of_a_fit_with_the_values_put_back() -> None:
    """On a network of masses it is the restricted likelihood ratio, by dense algebra to 1e-9."""
    rng = np.random.default_rng(8)
    sd = np.array([1.0, 0.7, 0.5, 0.8, 0.4, 1.2])
    y = np.array(TRUTH) + sd * rng.normal(size=6)
    y[[1, 4]] = y[[4, 1]]
    readings = [Reading(str(i + 1), "mass", float(y[i]), float(sd[i])) for i in range(6)]
    rows = np.zeros((4, 6))
    sheet = bypass_network()
    for s, stream in enumerate(sheet.streams):
        if stream.source is not None:
            rows[sheet.node_index[stream.source], s] -= 1
        if stream.target is not None:
            rows[sheet.node_index[stream.target], s] += 1
    design = sl.null_space(rows)
    as_read = _restricted(y, sd, design)

    evidence = _balance(sheet, readings).evidence

    assert evidence is not None
    assert evidence.exchanges is not None
    assert evidence.exchanges.count == 15
    found = {t.hypothesis.readings: t.statistic for t in evidence.exchanges.tests}
    for a, b in combinations(range(6), 2):
        order = np.arange(6)
        order[[a, b]] = b, a
        ratio = as_read - _restricted(y[order], sd[order], design)
        statistic = found.get((a, b), found.get((b, a)))
        assert statistic is not None
        assert np.sign(statistic) * statistic**2 / 2 == pytest.approx(ratio, rel=1e-6, abs=1e-6)


def test_two_exchanged_weighings_are_found_as_such() -> None:
    """One exchange explains what else would take two errors."""
    readings = [Reading(str(i), "mass", v, 0.8) for i, v in enumerate(TRUTH, 1)]

    evidence = _balance(bypass_network(), _exchanged(readings, [(1, 5)])).evidence

    assert evidence is not None
    (finding,) = evidence.findings
    first = finding.explanations[0]
    assert first.test.hypothesis.suspicion is Suspicion.EXCHANGE
    assert set(first.test.hypothesis.readings) == {1, 5}
    assert first.probability > 0.9
    (decision,) = evidence.decisions
    assert decision.statistic == pytest.approx(0.0, abs=1e-9)


def test_exchanges_that_nothing_tells_apart_are_told_with_equal_odds() -> None:
    """2 with 5 and 3 with 4 both lead to a sound balance, of which nobody knows the right one."""
    readings = [Reading(str(i), "mass", v, 0.8) for i, v in enumerate(TRUTH, 1)]

    evidence = _balance(bypass_network(), _exchanged(readings, [(1, 4)])).evidence

    assert evidence is not None
    (finding,) = evidence.findings
    told = {frozenset(e.test.hypothesis.readings): e.probability for e in finding.explanations}
    assert set(told) == {frozenset((1, 4)), frozenset((2, 3))}
    assert all(p == pytest.approx(0.5, abs=0.01) for p in told.values())


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    """The rougher, cleaner and scavenger of the examples, with truth and noise of a seed."""
    found = example_circuit("rougher-cleaner-scavenger")
    rng, sheet = np.random.default_rng(5), found.flowsheet
    readings = []
    for r in found.readings:
        s, q = sheet.stream_index[r.stream], sheet.quantity_index[r.of]
        truth = found.truth[s, q] / (found.truth[s, 0] if q else 1.0)
        readings.append(replace(r, value=float(truth + r.sd * rng.normal())))
    return replace(found, readings=tuple(readings))


def _places(circuit: Circuit, stream: str) -> dict[str, int]:
    return {r.of: i for i, r in enumerate(circuit.readings) if r.stream == stream}


def _pairs(circuit: Circuit, a: str, b: str) -> list[tuple[int, int]]:
    one, other = _places(circuit, a), _places(circuit, b)
    return [(one[of], other[of]) for of in one if of in other and of != "mass"]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("rougher feed", "scavenger concentrate"),
        ("scavenger concentrate", "cleaner tailing"),
        ("rougher concentrate", "cleaner concentrate"),
    ],
)
def test_exchanged_bags_are_found_and_putting_them_back_mends_the_balance(
    circuit: Circuit, one: str, other: str
) -> None:
    """All assays of two streams in each other's place, and the test of all once they are back."""
    pairs = _pairs(circuit, one, other)

    evidence = _balance(circuit.flowsheet, _exchanged(list(circuit.readings), pairs)).evidence

    assert evidence is not None
    first = evidence.findings[0].explanations[0].test.hypothesis
    assert first.exchanged is Exchanged.SAMPLES
    told = zip(first.readings[::2], first.readings[1::2], strict=True)
    assert {frozenset(p) for p in told} == {frozenset(p) for p in pairs}
    p_value = evidence.decisions[0].p_value
    assert p_value is not None
    assert p_value > 0.01


def test_an_exchange_that_leaves_no_balance_is_named_all_the_same(circuit: Circuit) -> None:
    """Where nothing converges, the failure says what would lead to a sound balance."""
    one, other = (
        _places(circuit, s)["Cu"] for s in ("rougher concentrate", "scavenger concentrate")
    )

    balance = _balance(circuit.flowsheet, _exchanged(list(circuit.readings), [(one, other)]))

    assert balance.failure is not None
    assert (
        "With Cu of 'rougher concentrate' and 'scavenger concentrate' in each other's place there "
        "is a balance, and a sound one" in balance.failure.reason
    )


def test_an_exchange_that_empties_a_stream_is_found(circuit: Circuit) -> None:
    """The readings of an emptied stream leave the calculation, not the search."""
    one, other = (_places(circuit, s)["S"] for s in ("final tailing", "rougher tailing"))

    balance = _balance(circuit.flowsheet, _exchanged(list(circuit.readings), [(one, other)]))

    assert balance.evidence is not None
    first = balance.evidence.findings[0].explanations[0].test.hypothesis
    assert set(first.readings) == {one, other}


def test_what_is_tried_is_said() -> None:
    """Where only the worst are tried, a sentence says how many of how many."""
    large = random_circuit(3, streams=30, components=4, sampling=Sampling(missing=0.0))

    evidence = _balance(large.flowsheet, list(large.readings)).evidence

    assert evidence is not None
    assert evidence.exchanges is not None
    (said,) = evidence.left_untried
    assert said.startswith(f"Of {evidence.exchanges.count} possible exchanges")


def test_without_a_prior_for_exchanges_none_is_found() -> None:
    """What is impossible beforehand is never claimed."""
    readings = [Reading(str(i), "mass", v, 0.8) for i, v in enumerate(TRUTH, 1)]
    scrutiny = Scrutiny(prior=Prior(0.8, 0.2, 0.0))

    evidence = _balance(bypass_network(), _exchanged(readings, [(1, 4)]), scrutiny).evidence

    assert evidence is not None
    assert evidence.findings
    assert all(
        e.test.hypothesis.suspicion is not Suspicion.EXCHANGE
        for f in evidence.findings
        for e in f.explanations
    )
