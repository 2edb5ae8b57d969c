"""Likelihood ratios against a fit with that error as one unknown more, by other solvers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import scipy.linalg as sl
import scipy.optimize as so
from numpy.typing import NDArray

from reconcile import SOLIDS, Flowsheet, Options, Reading, reconcile_balance
from reconcile.balance import Balance
from reconcile.findings import HypothesisTest, Suspicion
from reconcile.options import Scrutiny
from tests.flowsheets import Circuit, Sampling, bypass_network, random_circuit

Array = NDArray[np.float64]
LINEAR = 1e-9
"""Agreement on networks of masses, where there is nothing to linearise."""


def _judged(sheet: Flowsheet, readings: Sequence[Reading]) -> tuple[Balance, list[HypothesisTest]]:
    balance = reconcile_balance(sheet, readings, Options(scrutiny=Scrutiny()))
    evidence = balance.evidence
    assert evidence is not None
    families = (evidence.readings, evidence.shared, evidence.leaks)
    found = [t for f in families if f is not None for t in f.tests]
    return balance, [t for t in found if isinstance(t, HypothesisTest)]


def _incidence(sheet: Flowsheet) -> Array:
    rows = np.zeros((len(sheet.nodes), len(sheet.streams)))
    for s, stream in enumerate(sheet.streams):
        if stream.source is not None:
            rows[sheet.node_index[stream.source], s] -= 1
        if stream.target is not None:
            rows[sheet.node_index[stream.target], s] += 1
    return rows


def _dense_fit(
    rows: Array, y: Array, sd: Array, picked: Array, extra: Array
) -> tuple[float, Array]:
    """
    Minimise ``|(picked x + extra b - y) / sd|²`` with ``rows x = 0`` by a dense null space.

    ``extra`` has a column for each further unknown; gives the minimum and those unknowns.
    """
    free = sl.null_space(rows)
    design = np.column_stack([picked @ free, extra]) / sd[:, None]
    solution, *_ = np.linalg.lstsq(design, y / sd)
    return float(((design @ solution - y / sd) ** 2).sum()), solution[free.shape[1] :]


def _mass_network(seed: int) -> Circuit:
    return random_circuit(seed, streams=25, components=0, sampling=Sampling(missing=0.2))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_biased_reading_in_a_mass_network(seed: int) -> None:
    """T is the fall of the objective, and the size the estimate, with the bias as an unknown."""
    circuit = _mass_network(seed)
    sheet, readings = circuit.flowsheet, circuit.readings
    y, sd = np.array([r.value for r in readings]), np.array([r.sd for r in readings])
    picked = np.zeros((len(readings), len(sheet.streams)))
    picked[np.arange(len(readings)), [sheet.stream_index[r.stream] for r in readings]] = 1.0
    rows = _incidence(sheet)
    without, _ = _dense_fit(rows, y, sd, picked, np.zeros((len(y), 0)))

    _, tests = _judged(sheet, readings)

    checked = 0
    for test in tests:
        if test.hypothesis.suspicion is not Suspicion.READING:
            continue
        (i,) = test.hypothesis.readings
        least, size = _dense_fit(rows, y, sd, picked, np.eye(len(y))[:, [i]])
        assert test.statistic**2 == pytest.approx(without - least, rel=LINEAR, abs=LINEAR)
        assert test.size == pytest.approx(size[0], rel=1e-8, abs=1e-8 * sd[i])
        checked += 1
    assert checked > 5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leak_in_a_mass_network(seed: int) -> None:
    """The same with what a node loses as the unknown; positive is lost."""
    circuit = _mass_network(seed)
    sheet, readings = circuit.flowsheet, circuit.readings
    y, sd = np.array([r.value for r in readings]), np.array([r.sd for r in readings])
    rows, count = _incidence(sheet), len(sheet.streams)
    picked = np.zeros((len(readings), count + 1))
    picked[np.arange(len(readings)), [sheet.stream_index[r.stream] for r in readings]] = 1.0
    without, _ = _dense_fit(rows, y, sd, picked[:, :count], np.zeros((len(y), 0)))

    _, tests = _judged(sheet, readings)

    leaks = [t for t in tests if t.hypothesis.suspicion is Suspicion.LEAK]
    for test in leaks:
        assert test.hypothesis.node is not None
        lost = np.zeros((len(sheet.nodes), 1))
        lost[sheet.node_index[test.hypothesis.node]] = -1.0
        free = sl.null_space(np.hstack([rows, lost]))
        design = picked @ free / sd[:, None]
        solution, *_ = np.linalg.lstsq(design, y / sd)
        least = float(((design @ solution - y / sd) ** 2).sum())
        assert test.statistic**2 == pytest.approx(without - least, rel=LINEAR, abs=LINEAR)
        assert test.size == pytest.approx((free @ solution)[-1], rel=1e-7, abs=1e-8)
    assert len(leaks) > 3


def _fall_without(circuit: Circuit, i: int, before: Balance) -> float:
    """Give the fall of the statistic when a reading is left out: its bias as a free unknown."""
    left = [r for k, r in enumerate(circuit.readings) if k != i]
    after = reconcile_balance(circuit.flowsheet, left)
    assert before.test is not None
    assert after.test is not None
    return before.test.statistic - after.test.statistic


@pytest.mark.parametrize("seed", [4, 11])
def test_a_biased_reading_with_assays_agrees_to_the_linearisation(seed: int) -> None:
    """
    With assays T is that of the tangent.

    At 2 % errors and within 4 sd it lies within 15 % of the fit anew, or 0.3.
    """
    circuit = random_circuit(
        seed, streams=12, components=3, sampling=Sampling(0.1, (0.01, 0.02), (0.01, 0.02))
    )

    before, tests = _judged(circuit.flowsheet, circuit.readings)

    assert not before.active_bounds
    checked = 0
    for test in tests:
        if test.hypothesis.suspicion is Suspicion.READING and abs(test.statistic) < 4:
            fall = _fall_without(circuit, test.hypothesis.readings[0], before)
            assert test.statistic**2 == pytest.approx(fall, rel=0.15, abs=0.3)
            checked += 1
    assert checked > 20


def test_a_small_error_agrees_ever_better_with_the_fit_anew() -> None:
    """With all errors a hundred times smaller the tangent is as good as exact: 1e-2 or better."""
    circuit = random_circuit(
        4, streams=12, components=3, sampling=Sampling(0.1, (1e-4, 2e-4), (1e-4, 2e-4))
    )

    before, tests = _judged(circuit.flowsheet, circuit.readings)

    for test in tests:
        if test.hypothesis.suspicion is Suspicion.READING:
            fall = _fall_without(circuit, test.hypothesis.readings[0], before)
            assert test.statistic**2 == pytest.approx(fall, rel=1e-2, abs=1e-2)


def test_a_leak_with_assays_agrees_with_a_fit_that_estimates_it() -> None:
    """
    A node loses part of what enters it; a general optimiser estimates the loss with the rest.

    Composition of the loss as reconciled; errors of 1e-4, so that the tangent is true to 1e-2.
    """
    circuit = random_circuit(
        4, streams=12, components=2, sampling=Sampling(0.0, (1e-4, 2e-4), (1e-4, 2e-4))
    )
    sheet, readings = circuit.flowsheet, circuit.readings
    before, tests = _judged(sheet, readings)
    rows, kinds = _incidence(sheet), 1 + len(sheet.components)
    masses = np.array([before.masses[s.name].value for s in sheet.streams])
    amounts = np.array(
        [
            masses,
            *(
                [before.component_masses[s.name, c].value for s in sheet.streams]
                for c in sheet.components
            ),
        ]
    )
    free = sl.null_space(rows)

    def misfit(x: Array) -> Array:
        return np.array(
            [
                (
                    x[sheet.quantity_index[r.of], sheet.stream_index[r.stream]]
                    / (1.0 if r.of == SOLIDS else x[0, sheet.stream_index[r.stream]])
                    - r.value
                )
                / r.sd
                for r in readings
            ]
        )

    leaks = [t for t in tests if t.hypothesis.suspicion is Suspicion.LEAK]
    for test in leaks:
        assert test.hypothesis.node is not None
        node = sheet.node_index[test.hypothesis.node]
        entering = amounts @ (rows[node] > 0)
        along = np.linalg.pinv(rows)[:, node]
        carried = np.outer(entering / entering[0], along)

        def residuals(p: Array, carried: Array = carried) -> Array:
            scale = np.abs(amounts).max(axis=1, keepdims=True)
            moves = (p[1:].reshape(kinds, -1) @ free.T) * scale
            return misfit(amounts + moves + p[0] * amounts[0].max() * carried)

        start = np.zeros(1 + kinds * free.shape[1])
        found = so.least_squares(residuals, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
        assert before.test is not None
        fall = before.test.statistic - 2 * found.cost
        assert test.statistic**2 == pytest.approx(fall, rel=1e-2, abs=1e-2)
        assert test.size == pytest.approx(found.x[0] * amounts[0].max(), rel=1e-2, abs=test.sd / 50)
    assert len(leaks) > 2


def test_statistics_of_a_large_flowsheet_are_those_of_dense_algebra() -> None:
    """The sparse factor's tests are those of the residual projector, worked out densely."""
    circuit = random_circuit(45, streams=90, components=0, sampling=Sampling(missing=0.1))
    sheet, readings = circuit.flowsheet, circuit.readings
    sd = np.array([r.sd for r in readings])
    picked = np.zeros((len(readings), len(sheet.streams)))
    picked[np.arange(len(readings)), [sheet.stream_index[r.stream] for r in readings]] = 1.0
    design = picked @ sl.null_space(_incidence(sheet)) / sd[:, None]
    y = np.array([r.value for r in readings]) / sd
    basis = sl.orth(design)
    residual = y - basis @ (basis.T @ y)
    room = 1 - (basis**2).sum(axis=1)

    _, tests = _judged(sheet, readings)

    for test in tests:
        if test.hypothesis.suspicion is Suspicion.READING:
            (i,) = test.hypothesis.readings
            assert test.statistic == pytest.approx(residual[i] / np.sqrt(room[i]), rel=1e-6)


def test_an_error_shared_by_readings_is_a_suspect_of_its_own() -> None:
    """A weigher over two streams 1 % wrong: T is the fall when its size is left open (dense)."""
    sheet = bypass_network()
    truth = np.array([100.0, 64.0, 36.0, 64.0, 36.0, 100.0])
    readings = [
        Reading(
            str(i + 1),
            "mass",
            float(value * (1.08 if i in (1, 2) else 1.0) + 0.3 * (-1) ** i),
            0.8,
            (("weigher", 0.01 * float(value)),) if i in (1, 2) else (),
        )
        for i, value in enumerate(truth)
    ]
    rows = _incidence(sheet)
    y, sd = np.array([r.value for r in readings]), np.full(6, 0.8)
    shared = np.array([r.causes[0][1] if r.causes else 0.0 for r in readings])[:, None]
    # The cause is one unknown more, with a reading 0 ± 1 of its own.
    held = np.vstack([np.column_stack([np.eye(6), shared]), np.eye(7)[6]])
    with_cause, _ = _dense_fit(
        np.column_stack([rows, np.zeros(4)]),
        np.append(y, 0),
        np.append(sd, 1),
        held,
        np.zeros((7, 0)),
    )
    open_, size = _dense_fit(rows, y, sd, np.eye(6), shared)

    _, tests = _judged(sheet, readings)

    (test,) = [t for t in tests if t.hypothesis.suspicion is Suspicion.SHARED_ERROR]
    assert test.statistic**2 == pytest.approx(with_cause - open_, rel=1e-9)
    assert test.size == pytest.approx(-size[0], rel=1e-9)
