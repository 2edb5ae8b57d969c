"""Numerically and logically hard cases, each with an answer from elsewhere."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize as so
from numpy.typing import NDArray

from reconcile import Flowsheet, Reading, Stream, reconcile_balance
from reconcile.balance import Balance, Knowledge, Outcome
from tests.comparison import differences, items
from tests.flowsheets import (
    Array,
    bypass_network,
    exact,
    random_circuit,
    rougher_cleaner,
    rougher_cleaner_truth,
    separator,
)

BYPASS = (101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
"""Readings of Narasimhan & Jordache (2000), chapter 1, quoted from memory."""

BYPASS_SOLUTION = (100.22, 64.50, 35.72, 64.50, 35.72, 100.22)
"""Their solution for variances of 1, which recomputing confirms."""


def masses(values: dict[str, float], sd: float = 1.0) -> list[Reading]:
    """Give mass readings with one sd."""
    return [Reading(stream, "mass", value, sd) for stream, value in values.items()]


def value(balance: Balance, stream: str) -> float:
    """Give a reconciled mass that must be known."""
    found = balance.masses[stream].value
    assert found is not None
    return found


def _read_all(sheet: Flowsheet, truth: Array, relative: dict[str, float]) -> list[Reading]:
    """Read every mass and assay of a true state exactly, with relative sds by quantity."""
    readings = []
    for s, stream in enumerate(sheet.streams):
        for q, of in enumerate(sheet.quantities):
            v = float(truth[s, q] / (truth[s, 0] if q else 1.0))
            readings.append(Reading(stream.name, of, v, relative[of] * v))
    return readings


# --- recycles -------------------------------------------------------------------------------


def _circulating(rougher: float, cleaner: float) -> tuple[Flowsheet, Array]:
    """Metal at the given recoveries in a gangue at 0.2 and 0.4; fresh feed 1000, metal 100."""
    truth = np.column_stack(
        [
            rougher_cleaner_truth(np.array(f), np.array(r), np.array(c))
            for f, r, c in ((900.0, 0.2, 0.4), (100.0, rougher, cleaner))
        ]
    )
    sheet = rougher_cleaner(("metal",))
    return sheet, np.column_stack([truth.sum(axis=1), truth[:, 1]])


def test_a_recycled_cleaner_tailing_gives_the_geometric_series():
    """
    Rougher recovery 90 %, cleaner 80 %: rougher feed 121.951220 of metal, concentrate 87.804878.

    Closed form ``100 / (1 - 0.9 · 0.2)``; only the fresh feed is weighed.
    """
    sheet, truth = _circulating(0.9, 0.8)
    readings = [
        r
        for r in _read_all(sheet, truth, {"mass": 0.01, "metal": 0.02})
        if r.of == "metal" or r.stream == "fresh feed"
    ]

    balance = reconcile_balance(sheet, readings)

    assert balance.outcome is Outcome.CLOSED
    metal = {s: balance.component_masses[s, "metal"].value for s in balance.masses}
    assert metal["rougher feed"] == pytest.approx(121.95121951, rel=1e-8)
    assert metal["concentrate"] == pytest.approx(87.80487805, rel=1e-8)
    assert metal["tailing"] == pytest.approx(12.19512195, rel=1e-8)
    assert balance.recoveries["concentrate", "metal"].value == pytest.approx(0.8780487805)
    assert balance.splits["rougher concentrate", "metal"].value == pytest.approx(0.9)
    assert balance.splits["concentrate", "metal"].value == pytest.approx(0.8)


def test_a_loop_that_amplifies_ninety_one_times_is_solved():
    """
    Rougher recovery 99.9 %, cleaner 1 %: rougher feed ``100 / (1 - 0.999 · 0.99)`` = 9099.1811.

    All assays and the fresh feed are read, within their errors of the truth.
    """
    sheet, truth = _circulating(0.999, 0.01)
    rng = np.random.default_rng(5)
    readings = [
        replace(r, value=r.value + 1e-3 * r.sd * rng.normal())
        for r in _read_all(sheet, truth, {"mass": 0.01, "metal": 0.01})
        if r.of == "metal" or r.stream in {"fresh feed", "tailing", "rougher feed"}
    ]

    balance = reconcile_balance(sheet, readings)

    assert balance.outcome is Outcome.CLOSED
    metal = balance.component_masses["rougher feed", "metal"]
    assert metal.value == pytest.approx(9099.1811, rel=1e-3)
    assert all(abs(i.relative) <= 1e-9 for i in balance.closure)


# --- what cannot be known -------------------------------------------------------------------


def test_the_known_part_is_solved_and_the_rest_has_no_number():
    """
    The bypass network with too few readings, a loop stream and a separate circuit beside it.

    Streams 1 and 6 are weighed: their mean 100.395 by hand; 2 to 5 and the loop stay unknown,
    and the separate circuit answers as it does alone.
    """
    network = bypass_network()
    together = Flowsheet(
        (*network.nodes, "separator"),
        (
            *network.streams,
            Stream("loop", "mixer", "splitter"),
            *separator().streams,
        ),
    )
    beside = masses({"feed": 10.0, "concentrate": 4.0, "tailing": 7.0}, 0.5)

    balance = reconcile_balance(together, [*masses({"1": 101.91, "6": 98.88}), *beside])

    assert balance.outcome is Outcome.CLOSED
    assert value(balance, "1") == pytest.approx(100.395, abs=1e-9)
    assert value(balance, "6") == pytest.approx(100.395, abs=1e-9)
    for stream in ("2", "3", "4", "5", "loop"):
        assert balance.masses[stream].knowledge is Knowledge.UNOBSERVABLE
        assert balance.masses[stream].value is None
        assert balance.masses[stream].sd is None
    alone = reconcile_balance(separator(), beside)
    expected = items(alone, of_the_feed=False)
    assert differences(expected, items(balance)) == []
    # Imbalance 1 over three equal variances: each moves by a third, objective 1/3 / 0.25.
    assert value(alone, "feed") == pytest.approx(10 + 1 / 3)
    assert alone.test is not None
    assert alone.test.statistic == pytest.approx((1 / 3) / 0.25)


def test_half_of_the_assays_missing_is_the_same_absent_or_infinite():
    """Three components, the third read on streams 1, 3 and 5 only: absent equals infinite sd."""
    sheet = replace(bypass_network(), components=("a", "b", "c"))
    rng = np.random.default_rng(3)
    circuit = random_circuit(3, streams=6, components=3)
    del circuit
    fractions = {"a": (0.3, 0.3, 0.3, 0.3, 0.3, 0.3), "b": (0.05,) * 6, "c": (0.002,) * 6}
    flows = (100.0, 64.0, 36.0, 64.0, 36.0, 100.0)
    readings = []
    for i, stream in enumerate(sheet.streams):
        readings.append(Reading(stream.name, "mass", flows[i] + rng.normal(), 1.0))
        for c, level in fractions.items():
            sd = 0.02 * level[i]
            kept = c != "c" or stream.name in {"1", "3", "5"}
            reading = Reading(stream.name, c, level[i] + sd * rng.normal(), sd)
            readings.append(reading if kept else replace(reading, sd=math.inf))

    blunt = reconcile_balance(sheet, readings)
    absent = reconcile_balance(sheet, [r for r in readings if math.isfinite(r.sd)])

    assert differences(items(absent), items(blunt), classes=False) == []
    # The exchanger changes nothing: stream 2 has the assay of stream 4, unread in both.
    for stream in ("2", "4", "6"):
        assert absent.assays[stream, "c"].knowledge is Knowledge.OBSERVABLE
        assert absent.assays[stream, "c"].value == pytest.approx(0.002, rel=0.05)


def test_a_request_without_masses_knows_yields_but_no_mass():
    """
    Three grades of one separator: ``(f - t) / (c - t)`` is the yield, no mass is known.

    Closed form of the two-product formula.
    """
    f, c, t = 0.02, 0.35, 0.004
    readings = [
        Reading(s, "Cu", v, 0.01 * v)
        for s, v in zip(("feed", "concentrate", "tailing"), (f, c, t), strict=True)
    ]

    balance = reconcile_balance(separator(("Cu",)), readings)

    assert balance.outcome is Outcome.CLOSED
    assert all(e.value is None for e in balance.masses.values())
    assert balance.yields["concentrate"].value == pytest.approx((f - t) / (c - t), rel=1e-9)
    assert balance.recoveries["concentrate", "Cu"].value == pytest.approx(
        c * (f - t) / (f * (c - t)), rel=1e-9
    )


def test_the_error_of_a_two_product_recovery_is_that_of_its_formula():
    """
    The sd of ``c (f - t) / (f (c - t))`` by the delta method on independent grades.

    JCGM 100:2008, 5.1.2; derivatives taken numerically here.
    """
    grades = np.array([0.008, 0.25, 0.0015])
    sds = np.array([0.0002, 0.004, 0.0001])

    def recovery(g: Array) -> float:
        f, c, t = g
        return float(c * (f - t) / (f * (c - t)))

    step = 1e-7
    slopes = [(recovery(grades + step * e) - recovery(grades - step * e)) for e in np.eye(3)]
    expected = float(np.hypot.reduce(np.array(slopes) / (2 * step) * sds))
    readings = [
        Reading(s, "Cu", v, sd)
        for s, v, sd in zip(("feed", "concentrate", "tailing"), grades, sds, strict=True)
    ]

    balance = reconcile_balance(separator(("Cu",)), readings)

    assert balance.recoveries["concentrate", "Cu"].sd == pytest.approx(expected, rel=1e-5)
    assert balance.recoveries["tailing", "Cu"].sd == pytest.approx(expected, rel=1e-5)


# --- zeros and bounds -----------------------------------------------------------------------


def test_a_component_absent_from_a_product_is_reported_as_zero():
    """Truth 0, reported 0, absolute sd 0.001: no division by zero, exact data stay."""
    readings = [
        *masses({"feed": 100.0, "concentrate": 40.0, "tailing": 60.0}),
        Reading("feed", "Sn", 0.2, 0.004),
        Reading("concentrate", "Sn", 0.5, 0.004),
        Reading("tailing", "Sn", 0.0, 0.001),
    ]

    balance = reconcile_balance(separator(("Sn",)), readings)

    assert balance.outcome in {Outcome.CLOSED, Outcome.CLOSED_WITH_ACTIVE_BOUNDS}
    assert balance.assays["tailing", "Sn"].value == pytest.approx(0.0, abs=1e-12)
    assert balance.recoveries["concentrate", "Sn"].value == pytest.approx(1.0)
    assert balance.test is not None
    assert balance.test.statistic == pytest.approx(0.0, abs=1e-12)


def _bounded_separator(
    fixed: tuple[float, float, float], assays: tuple[float, float, float], sds: tuple[float, ...]
) -> NDArray[np.float64]:
    """Solve a separator of fixed masses by scipy's bounded linear least squares."""
    feed, concentrate, tailing = fixed
    # Unknown component masses of the two products; the feed carries their sum.
    rows = np.array([[1 / feed, 1 / feed], [1 / concentrate, 0.0], [0.0, 1 / tailing]])
    weights = 1 / np.array(sds)
    answer = so.lsq_linear(
        rows * weights[:, None],
        np.array(assays) * weights,
        bounds=([0, 0], [concentrate, tailing]),
        method="bvls",
        tol=1e-14,
    )
    return np.array([answer.x.sum() / feed, answer.x[0] / concentrate, answer.x[1] / tailing])


@pytest.mark.parametrize(
    ("assays", "held", "bound"),
    [
        ((0.19, 0.52, -0.004), "tailing", "zero"),
        ((0.19, 0.56, 0.0002), "tailing", "zero"),
        ((0.43, 0.99, 0.02), "concentrate", "whole"),
    ],
)
def test_an_assay_that_noise_drives_out_ends_on_its_bound(
    assays: tuple[float, float, float], held: str, bound: str
):
    """
    Bounds belong to the optimisation, they are no clip afterwards.

    Fixed masses make it a bounded linear least squares, solved here by scipy; the objective's
    slope at the bound must point outwards (Karush, Kuhn, Tucker).
    """
    fixed, sds = (100.0, 40.0, 60.0), (0.004, 0.01, 0.002)
    names = ("feed", "concentrate", "tailing")
    readings = [
        Reading("feed", "mass", fixed[0], 0.0),
        Reading("concentrate", "mass", fixed[1], 0.0),
        *(Reading(s, "Sn", v, sd) for s, v, sd in zip(names, assays, sds, strict=True)),
    ]
    expected = _bounded_separator(fixed, assays, sds)

    balance = reconcile_balance(separator(("Sn",)), readings)

    assert balance.outcome is Outcome.CLOSED_WITH_ACTIVE_BOUNDS
    assert [(b.stream, b.of, b.bound) for b in balance.active_bounds] == [(held, "Sn", bound)]
    found = np.array([balance.assays[s, "Sn"].value for s in names])
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12)
    slope = 2 * (found - assays) / np.square(sds)
    product = names.index(held)
    inward = -1 if bound == "whole" else 1
    by_mass = slope[0] / fixed[0] + slope[product] / fixed[product]
    assert inward * by_mass > 0


def test_a_negative_reading_with_an_error_is_met_at_zero():
    """
    A mass read as -1 with sd 1 ends at zero, the others balance without it.

    By hand: feed and concentrate are then equal, 10 and 10.6 with equal sds give 10.3.
    """
    readings = masses({"feed": 10.0, "concentrate": 10.6, "tailing": -1.0})

    balance = reconcile_balance(separator(), readings)

    assert balance.outcome is Outcome.CLOSED_WITH_ACTIVE_BOUNDS
    assert value(balance, "tailing") == 0.0
    assert value(balance, "feed") == pytest.approx(10.3)
    assert value(balance, "concentrate") == pytest.approx(10.3)
    assert [(b.stream, b.of, b.bound) for b in balance.active_bounds] == [
        ("tailing", "mass", "zero")
    ]
    assert balance.test is not None
    assert balance.test.statistic == pytest.approx(0.3**2 + 0.3**2 + 1.0)


def test_an_assay_of_a_stream_without_mass_is_undefined():
    """A stream fixed at zero has no assay: a ratio over nothing is no number."""
    readings = [
        *masses({"feed": 100.0, "concentrate": 100.4}),
        Reading("tailing", "mass", 0.0, 0.0),
        Reading("feed", "Sn", 0.30, 0.01),
        Reading("concentrate", "Sn", 0.32, 0.01),
    ]

    balance = reconcile_balance(separator(("Sn",)), readings)

    assert value(balance, "tailing") == 0.0
    assert balance.assays["tailing", "Sn"].value is None
    assert balance.assays["tailing", "Sn"].knowledge is Knowledge.UNDEFINED
    assert value(balance, "feed") == pytest.approx(100.2)
    assert balance.assays["feed", "Sn"].value == pytest.approx(0.31)


# --- scale ----------------------------------------------------------------------------------


def test_six_orders_of_magnitude_in_one_circuit():
    """
    Components of 60, 30, 9.99 and 0.0099 % and gold at 0.6 g/t, rougher and cleaner with recycle.

    Exact readings of closed-form flows come back in every component to 1e-9 of itself.
    """
    grades = {"A": 0.60, "B": 0.30, "C": 0.0999, "D": 0.0000994, "Au": 0.6e-6}
    splits = {"A": (0.95, 0.9), "B": (0.1, 0.3), "C": (0.01, 0.05), "D": (0.5, 0.5)}
    splits["Au"] = (0.8, 0.7)
    columns = [
        rougher_cleaner_truth(np.array(100 * grades[c]), np.array(r), np.array(k))
        for c, (r, k) in splits.items()
    ]
    truth = np.column_stack([np.sum(columns, axis=0), *columns])
    sheet = rougher_cleaner(tuple(splits))
    errors = {"mass": 0.01, "A": 0.01, "B": 0.02, "C": 0.03, "D": 0.10, "Au": 0.10}
    readings = _read_all(sheet, truth, errors)

    balance = reconcile_balance(sheet, readings)

    assert balance.outcome is Outcome.CLOSED
    for s, stream in enumerate(sheet.streams):
        assert value(balance, stream.name) == pytest.approx(truth[s, 0], rel=1e-9)
        for c, component in enumerate(sheet.components):
            found = balance.assays[stream.name, component].value
            assert found == pytest.approx(truth[s, c + 1] / truth[s, 0], rel=1e-9)
    assert all(abs(i.relative) <= 1e-9 for i in balance.closure)


def test_a_component_of_parts_per_million_is_judged_as_if_it_were_a_per_cent():
    """Dividing one component's assays and sds by 10 000 divides its results and nothing else."""
    circuit = random_circuit(77, streams=9, components=2)
    readings = list(circuit.readings)
    small = [
        replace(r, value=r.value / 1e4, sd=r.sd / 1e4) if r.of == "component 1" else r
        for r in readings
    ]

    first = reconcile_balance(circuit.flowsheet, readings)
    second = reconcile_balance(circuit.flowsheet, small)

    assert first.outcome is second.outcome is Outcome.CLOSED
    scaled = {
        key: item._replace(
            value=None if item.value is None else item.value * 1e4,
            sd=None if item.sd is None else item.sd * 1e4,
        )
        if key[0] in {"assay", "component mass"} and key[2] == "component 1"
        else item
        for key, item in items(second).items()
    }
    assert differences(items(first), scaled) == []


def test_errors_of_eighteen_decades_in_one_node():
    """
    Variances of 1e-12 and 1e6 beside 1: weighted projection in closed form.

    ``adjustment_i = -a_i v_i r / sum(v)`` for the imbalance ``r`` of one node.
    """
    y, v, sign = np.array([100.0, 60.0, 41.0]), np.array([1.0, 1e-12, 1e6]), np.array([1, -1, -1])
    expected = y - sign * v * (sign @ y) / v.sum()
    names = ("feed", "concentrate", "tailing")
    readings = [
        Reading(s, "mass", value, math.sqrt(var)) for s, value, var in zip(names, y, v, strict=True)
    ]

    balance = reconcile_balance(separator(), readings)

    np.testing.assert_allclose([value(balance, s) for s in names], expected, rtol=1e-12)
    sds = [balance.masses[s].sd for s in names]
    np.testing.assert_allclose(sds, np.sqrt(v - v**2 / v.sum()), rtol=1e-5)


# --- degenerate input -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(10))
def test_consistent_readings_are_not_touched(seed: int):
    """Readings that close already: objective 0, adjustments 0, nothing rejected."""
    circuit = exact(random_circuit(seed, streams=12, components=3))

    balance = reconcile_balance(circuit.flowsheet, circuit.readings)

    assert balance.test is not None
    assert balance.test.statistic < 1e-15
    for r in circuit.readings:
        estimate = balance.masses[r.stream] if r.of == "mass" else balance.assays[r.stream, r.of]
        assert estimate.value == pytest.approx(r.value, rel=1e-9)


def test_a_redundant_node_does_not_raise_the_degrees_of_freedom():
    """
    Closing the bypass network over a world node repeats the sum of its equations.

    Still 4 degrees of freedom, and the published solution (source beside the readings).
    """
    readings = masses({str(i + 1): v for i, v in enumerate(BYPASS)})

    balance = reconcile_balance(bypass_network(world=True), readings)

    assert balance.test is not None
    assert balance.test.degrees_of_freedom == 4
    found = [value(balance, str(i + 1)) for i in range(6)]
    np.testing.assert_allclose(found, BYPASS_SOLUTION, rtol=1e-9)
    sds = [balance.masses[str(i + 1)].sd for i in range(6)]
    np.testing.assert_allclose(sds, math.sqrt(1 / 3), rtol=1e-9)


def test_a_fixed_value_is_kept_to_the_digit():
    """
    Stream 1 fixed at 100 with sd 0: the rest is the projection with that value known.

    Free flow b: rows b, b against 64.45, 64.20 and 100 - b against 34.65, 36.44, 6 = 100.
    """
    readings = masses({str(i + 1): v for i, v in enumerate(BYPASS)})
    readings[0] = Reading("1", "mass", 100.0, 0.0)
    b = np.mean([64.45, 64.20, 100 - 34.65, 100 - 36.44])

    balance = reconcile_balance(bypass_network(), readings)

    assert value(balance, "1") == 100.0
    assert value(balance, "6") == pytest.approx(100.0, rel=1e-12)
    assert value(balance, "2") == pytest.approx(b, rel=1e-12)
    assert balance.masses["1"].sd == 0.0
    assert balance.masses["1"].standardised is None
    assert balance.masses["2"].sd == pytest.approx(0.5)
    assert balance.test is not None
    assert balance.test.degrees_of_freedom == 4


@pytest.mark.parametrize("fixed", [5e-324, 1e-310, 2e-310])
@pytest.mark.parametrize("stream", ["feed", "concentrate"])
def test_a_fixed_value_below_the_normal_numbers_never_raises(stream: str, fixed: float):
    """One over it is beyond the arithmetic: zero to all others, or an ending that says so."""
    readings = masses({"feed": 100.0, "concentrate": 60.0, "tailing": 39.0})
    readings = [
        Reading(stream, "mass", fixed, 0.0) if r.streams == (stream,) else r for r in readings
    ]

    balance = reconcile_balance(separator(), readings)

    if balance.failure is None:
        assert value(balance, stream) <= fixed
    else:
        assert balance.outcome in {Outcome.NOT_CONVERGED, Outcome.CONTRADICTORY}


def test_contradictory_fixed_values_name_their_node():
    """100 in, 60 and 30 out, all fixed: no balance, and the node is named."""
    readings = masses({"feed": 100.0, "concentrate": 60.0, "tailing": 30.0}, 0.0)

    balance = reconcile_balance(separator(), readings)

    assert balance.outcome is Outcome.CONTRADICTORY
    assert balance.failure is not None
    assert "separator" in balance.failure.nodes
    assert set(balance.failure.readings) <= {0, 1, 2}
    assert balance.masses == {}


def test_a_contradiction_names_only_the_nodes_concerned():
    """Fixed 1 = 100, 6 = 90 cannot meet across the network; the separate circuit is innocent."""
    network = bypass_network()
    together = Flowsheet((*network.nodes, "separator"), (*network.streams, *separator().streams))
    readings = [
        Reading("feed", "mass", 10.0, 0.0),
        Reading("1", "mass", 100.0, 0.0),
        Reading("6", "mass", 90.0, 0.0),
        Reading("concentrate", "mass", 4.0, 0.5),
    ]

    balance = reconcile_balance(together, readings)

    assert balance.outcome is Outcome.CONTRADICTORY
    assert balance.failure is not None
    assert balance.failure.nodes
    assert "separator" not in balance.failure.nodes
    assert set(balance.failure.readings) <= {1, 2}


def test_fixed_values_against_a_bound_are_a_contradiction():
    """A product fixed above its feed leaves a negative tailing: no balance, never a clip."""
    readings = masses({"feed": 100.0, "concentrate": 120.0}, 0.0)

    balance = reconcile_balance(separator(), readings)

    assert balance.outcome is Outcome.CONTRADICTORY
    assert balance.failure is not None
    assert "separator" in balance.failure.nodes


def test_fixed_assays_that_leave_no_room_are_a_contradiction():
    """A fixed tailing richer than a fixed feed and concentrate cannot be."""
    readings = [
        *masses({"feed": 100.0, "concentrate": 40.0}, 0.0),
        *(
            Reading(s, "Sn", v, 0.0)
            for s, v in (("feed", 0.2), ("concentrate", 0.1), ("tailing", 0.9))
        ),
    ]

    balance = reconcile_balance(separator(("Sn",)), readings)

    assert balance.outcome is Outcome.CONTRADICTORY


def test_a_closed_set_of_assays_stays_closed():
    """
    Assays that make up the whole everywhere, read exactly, still do so afterwards.

    With equal weights on every component the balances are linear in the sum, so that noise which
    keeps the readings' sums at the whole keeps the results there too.
    """
    sheet = separator(("A", "B", "C"))
    table = {"feed": (0.5, 0.3, 0.2), "concentrate": (0.85, 0.1, 0.05)}
    table["tailing"] = tuple(
        (f - 0.3 * c) / 0.7 for f, c in zip(table["feed"], table["concentrate"], strict=True)
    )
    noise = {"feed": (0.004, -0.003, -0.001), "concentrate": (-0.006, 0.004, 0.002)}
    noise["tailing"] = (0.003, 0.002, -0.005)
    readings = [
        *masses({"feed": 100.0, "concentrate": 30.0}, 0.0),
        *(
            Reading(s, c, v + e, 0.005)
            for s, values in table.items()
            for c, v, e in zip(sheet.components, values, noise[s], strict=True)
        ),
    ]

    balance = reconcile_balance(sheet, readings)

    for stream in table:
        parts = [balance.assays[stream, c].value for c in sheet.components]
        assert math.fsum(p for p in parts if p is not None) == pytest.approx(1.0, abs=1e-12)


def test_parallel_streams_share_only_what_is_read():
    """Two streams between the same nodes: one weighed, the other by difference; sds add."""
    sheet = Flowsheet(
        ("first", "second"),
        (
            Stream("in", None, "first"),
            Stream("left", "first", "second"),
            Stream("right", "first", "second"),
            Stream("out", "second", None),
        ),
    )

    balance = reconcile_balance(
        sheet, [*masses({"in": 100.0, "out": 102.0}, 2.0), Reading("left", "mass", 30.0, 1.0)]
    )

    # The mean of in and out is 101 with variance 2; right = mean - left has variance 3.
    assert value(balance, "in") == pytest.approx(101.0)
    assert value(balance, "right") == pytest.approx(71.0)
    assert balance.masses["right"].sd == pytest.approx(math.sqrt(3.0))
    assert balance.masses["right"].knowledge is Knowledge.OBSERVABLE
    assert balance.masses["left"].knowledge is Knowledge.NONREDUNDANT
    assert balance.masses["in"].knowledge is Knowledge.REDUNDANT


def test_parallel_streams_with_neither_read_stay_unknown():
    """Their sum is known, neither of them is."""
    sheet = Flowsheet(
        ("first", "second"),
        (
            Stream("in", None, "first"),
            Stream("left", "first", "second"),
            Stream("right", "first", "second"),
            Stream("out", "second", None),
        ),
        ("Sn",),
    )

    balance = reconcile_balance(sheet, [*masses({"in": 100.0}), Reading("left", "Sn", 0.2, 0.01)])

    assert value(balance, "out") == pytest.approx(100.0)
    assert balance.outcome is Outcome.CLOSED
    assert {balance.masses[s].knowledge for s in ("left", "right")} == {Knowledge.UNOBSERVABLE}
    assert balance.assays["left", "Sn"].value == pytest.approx(0.2)
    assert balance.assays["left", "Sn"].knowledge is Knowledge.NONREDUNDANT
