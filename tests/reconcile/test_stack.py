"""Many shifts at once: each as by itself, whatever its neighbours are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reconcile import Flowsheet, InvalidInput, Outcome, Reading, Stream, reconcile_balance
from reconcile.kernel.limits import LANE_STEPS, LANES, PLAIN_STEPS
from reconcile.options import Options
from reconcile.stack import CODES, Stack, reconcile_stack
from tests.flowsheets import Array, Circuit, Sampling, random_circuit
from tests.studies.agreement import general_circuit

SHIFTS = LANES + 3
"""A full block and a part of one."""


def _truth(circuit: Circuit) -> Array:
    """Give the true value of each reading."""
    streams, quantities = circuit.flowsheet.stream_index, circuit.flowsheet.quantity_index
    return np.array(
        [
            circuit.truth[streams[r.streams[0]], 0]
            if r.of == "mass"
            else circuit.fractions[streams[r.streams[0]], quantities[r.name] - 1]
            for r in circuit.readings
        ]
    )


def _shifts(circuit: Circuit, seed: int, *, gaps: float = 0.0) -> Array:
    """Draw readings of many shifts, some of them missing."""
    rng = np.random.default_rng(seed)
    sds = np.array([r.sd for r in circuit.readings])
    values = _truth(circuit) + sds * rng.normal(size=(SHIFTS, len(sds)))
    return np.where(rng.uniform(size=values.shape) < gaps, np.nan, np.minimum(values, 1e12))


def _alone(circuit: Circuit, values: Array) -> tuple[Reading, ...]:
    read = zip(circuit.readings, values.tolist(), strict=True)
    return tuple(replace(r, value=v) for r, v in read if not np.isnan(v))


def _agree(circuit: Circuit, stack: Stack, shift: int, values: Array) -> None:
    balance = reconcile_balance(circuit.flowsheet, _alone(circuit, values))
    assert CODES[stack.outcomes[shift]] is balance.outcome
    if balance.test is None:
        return
    assert stack.objective[shift] == pytest.approx(balance.test.statistic, rel=1e-9, abs=1e-9)
    assert stack.degrees_of_freedom[shift] == balance.test.degrees_of_freedom
    for i, stream in enumerate(circuit.flowsheet.streams):
        known = balance.masses[stream.name]
        if known.value is not None:
            assert stack.masses[shift, i] == pytest.approx(known.value, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_every_shift_is_balanced_as_by_itself(seed: int):
    """Masses, objective, checks and outcome, to a billionth."""
    circuit = random_circuit(seed, streams=5 + seed, components=1 + seed % 4)
    values = np.minimum(_shifts(circuit, seed), np.where(_truth(circuit) <= 1, 1.0, np.inf))

    stack = reconcile_stack(circuit.flowsheet, circuit.readings, values)

    for shift in range(0, SHIFTS, 6):
        _agree(circuit, stack, shift, values[shift])


@pytest.mark.parametrize("seed", range(4))
def test_shifts_of_any_size_and_loss_are_balanced_as_by_themselves(seed: int):
    """More streams, some of them never read, and readings lost here and there."""
    missing = Sampling(missing=0.1 * (seed % 2))
    circuit = random_circuit(40 + seed, streams=8 + 6 * seed, components=2, sampling=missing)
    ceiling = np.where(_truth(circuit) <= 1, 1.0, np.inf)
    values = np.minimum(_shifts(circuit, seed, gaps=0.01), ceiling)

    stack = reconcile_stack(circuit.flowsheet, circuit.readings, values)

    for shift in range(0, SHIFTS, 18):
        _agree(circuit, stack, shift, values[shift])


def test_a_shift_that_takes_long_is_as_exact_as_by_itself():
    """The last of a block go on by themselves, no longer than others, then on the general road."""
    circuit = random_circuit(57, streams=5, components=3, sampling=Sampling(missing=0.3))
    rng, sds = np.random.default_rng(57), np.array([r.sd for r in circuit.readings])
    values = _truth(circuit) + sds * rng.normal(size=(3 * LANES, len(sds)))

    stack = reconcile_stack(circuit.flowsheet, circuit.readings, values)

    for shift in range(0, len(values), 20):
        _agree(circuit, stack, shift, values[shift])
    assert stack.iterations.max() < LANE_STEPS + PLAIN_STEPS


def test_shifts_with_gaps_are_grouped_by_what_was_read():
    """A missing reading is none, in its own shift only."""
    circuit = random_circuit(21, streams=7, components=2, sampling=Sampling(missing=0.0))
    values = np.minimum(_shifts(circuit, 5, gaps=0.03), np.where(_truth(circuit) <= 1, 1, np.inf))

    stack = reconcile_stack(circuit.flowsheet, circuit.readings, values)

    for shift in range(0, SHIFTS, 5):
        _agree(circuit, stack, shift, values[shift])


def test_one_bad_shift_spoils_no_other():
    """Numbers without a balance end their own shift; its neighbours are as they were."""
    circuit = random_circuit(3, streams=8, components=3)
    values = np.minimum(_shifts(circuit, 1), np.where(_truth(circuit) <= 1, 1.0, np.inf))
    spoilt = values.copy()
    spoilt[4] = 1e300
    spoilt[5] = np.nan

    good = reconcile_stack(circuit.flowsheet, circuit.readings, values)
    mixed = reconcile_stack(circuit.flowsheet, circuit.readings, spoilt)

    others = [k for k in range(SHIFTS) if k not in (4, 5)]
    assert not mixed.closed[4]
    assert CODES[mixed.outcomes[5]] is Outcome.NOT_CONVERGED
    assert np.isnan(mixed.amounts[[4, 5]]).all()
    np.testing.assert_allclose(mixed.masses[others], good.masses[others], rtol=1e-9)


def test_a_stack_of_many_shifts_has_a_chi_square_objective():
    """Over 2,000 shifts with right errors the p-values are uniform: mean a half, by its error."""
    circuit = random_circuit(2, streams=8, components=2, sampling=Sampling(missing=0.0))
    rng = np.random.default_rng(7)
    sds = np.array([r.sd for r in circuit.readings]) * 0.1
    values = _truth(circuit) + sds * rng.normal(size=(2000, len(sds)))
    spread = np.broadcast_to(sds, values.shape)

    p = reconcile_stack(circuit.flowsheet, circuit.readings, values, spread).p_values

    assert abs(np.nanmean(p) - 0.5) < 4 * np.sqrt(1 / 12 / len(p))


def test_progress_is_told_and_the_time_budget_kept():
    """Shifts that were not reached are over budget and have no numbers."""
    circuit = random_circuit(2, streams=8, components=2)
    values = np.minimum(_shifts(circuit, 1), np.where(_truth(circuit) <= 1, 1.0, np.inf))
    told: list[tuple[int, int]] = []

    reconcile_stack(
        circuit.flowsheet,
        circuit.readings,
        values,
        progress=lambda done, of: told.append((done, of)),
    )
    none = reconcile_stack(
        circuit.flowsheet, circuit.readings, values, options=Options(time_budget_s=1e-9)
    )

    assert told[-1] == (SHIFTS, SHIFTS)
    assert {CODES[code] for code in none.outcomes} == {Outcome.OVER_BUDGET}
    assert np.isnan(none.amounts).all()


def test_values_that_do_not_fit_the_readings_are_refused():
    """One row for each shift, one column for each reading."""
    circuit = random_circuit(2, streams=4, components=1)

    with pytest.raises(InvalidInput, match="shape"):
        reconcile_stack(circuit.flowsheet, circuit.readings, np.zeros((3, 1)))
    with pytest.raises(InvalidInput, match="infinite"):
        reconcile_stack(
            circuit.flowsheet, circuit.readings, np.full((3, len(circuit.readings)), np.inf)
        )


def test_what_cannot_be_known_has_no_number():
    """An unread split of an unread stream is on no shift's list, and what is read around it is."""
    streams = (
        Stream("feed", None, "a"),
        Stream("left", "a", "b"),
        Stream("right", "a", "b"),
        Stream("product", "b", None),
    )
    sheet = Flowsheet(("a", "b"), streams, ("Sn",))
    readings = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("product", "mass", 99.0, 1.0),
        Reading("left", "Sn", 0.2, 0.01),
    ]
    values = np.array([[100.0, 99.0, 0.2], [101.0, 100.0, np.nan]])

    stack = reconcile_stack(sheet, readings, values)

    assert np.isfinite(stack.masses[:, [0, 3]]).all()
    assert np.isnan(stack.masses[:, [1, 2]]).all()
    np.testing.assert_allclose(stack.assays[0, 1, 0], 0.2)
    assert np.isnan(stack.assays[1]).all()
    assert np.isnan(stack.amounts[:, :, 1]).all()


@pytest.mark.parametrize("seed", [150, 1032, 1230])
def test_a_shift_without_an_upper_limit_is_refused_as_by_itself(seed: int):
    """
    Rough assays around an unweighed node may fit ever better as its masses grow.

    There is no optimum then, whatever road the shift takes.
    """
    circuit = general_circuit(seed)
    values = np.array([[reading.value for reading in circuit.readings]])

    stack = reconcile_stack(circuit.flowsheet, circuit.readings, values)

    assert CODES[stack.outcomes[0]] is Outcome.NOT_CONVERGED
    assert np.isnan(stack.points).all()
