"""Water beside the solids: moistures, pulps, additions, and nodes that let water go."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize as so

from reconcile import (
    WATER,
    Flowsheet,
    InvalidInput,
    Knowledge,
    Outcome,
    Reading,
    Stream,
    reconcile_balance,
)
from reconcile.balance import Balance, Estimate, Known
from reconcile.measurands import assay, moisture, pulp_density, solids_content, wet_mass
from tests.flowsheets import separator
from tests.propagation import delta_sd

CYCLONE = replace(separator(), water=True)
"""Feed, concentrate (the underflow) and tailing (the overflow) with their water."""

NAMES = ("feed", "concentrate", "tailing")

SOLID, WATER_DENSITY = 2650.0, 1000.0
"""Densities in kg/m3."""


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


def dilution(solids: float) -> float:
    """Give water over solids from the mass fraction of solids in a pulp."""
    return (1 - solids) / solids


def solids_of_pulp(density: float) -> float:
    """Give the mass fraction of solids from the pulp's density: volumes add."""
    return SOLID * (density - WATER_DENSITY) / (density * (SOLID - WATER_DENSITY))


def underflow_share(feed: float, under: float, over: float) -> float:
    """Give the underflow's share of the solids from three mass fractions of solids."""
    f, u, o = dilution(feed), dilution(under), dilution(over)
    return (o - f) / (o - u)


# --- published ------------------------------------------------------------------------------


def test_the_water_ratios_of_a_cyclone_split_its_solids() -> None:
    """
    20 t/h at 30 % solids, underflow 50 %, overflow 15 %: underflow 14.285714 t/h (printed 14.3).

    Wills' Mineral Processing Technology, chapter on mass balancing; quoted from memory (M+).  The
    sd is that of the same formula by the delta method.
    """
    values, sds = (20.0, 0.30, 0.50, 0.15), (0.4, 0.004, 0.005, 0.003)
    readings = [
        Reading("feed", "mass", values[0], sds[0]),
        *(
            Reading(s, solids_content(), v, sd)
            for s, v, sd in zip(NAMES, values[1:], sds[1:], strict=True)
        ),
    ]

    balance = reconcile_balance(CYCLONE, readings)

    value, sd = known(balance.masses["concentrate"])
    assert pytest.approx(14.285714, abs=1e-6) == value
    assert (
        pytest.approx(delta_sd(lambda m, *s: m * underflow_share(*s), values, sds), rel=1e-6) == sd
    )
    water = {s: known(balance.amounts[s, WATER])[0] for s in NAMES}
    ratios = {s: water[s] / known(balance.masses[s])[0] for s in NAMES}
    assert {"feed": 7 / 3, "concentrate": 1.0, "tailing": 17 / 3} == pytest.approx(ratios)


def test_three_pulp_densities_and_a_timed_sample_give_the_flows() -> None:
    """
    Pulps of 1130, 1280 and 1040 kg/m3 and 2 litres of underflow in 3.1 s: 1.04 and 1.29 t/h.

    Wills' Mineral Processing Technology, chapter on mass balancing; quoted from memory (M+), solids
    of 2650 and water of 1000 kg/m3.
    """
    timed = 2 / 3.1 * 3600 * 1280 / 1e6
    densities = (1130.0, 1280.0, 1040.0)
    readings = [
        Reading("concentrate", wet_mass(), timed, 0.02 * timed),
        *(
            Reading(s, pulp_density(SOLID, WATER_DENSITY), d, 3.0)
            for s, d in zip(NAMES, densities, strict=True)
        ),
    ]

    balance = reconcile_balance(CYCLONE, readings)

    found = [100 * (1 - known(balance.moistures[s])[0]) for s in NAMES]
    assert pytest.approx([18.476803, 35.132576, 6.177156], abs=1e-6) == found
    assert pytest.approx(1.044457, abs=1e-6) == balance.masses["concentrate"].value
    assert pytest.approx(1.293138, abs=1e-6) == balance.masses["feed"].value


def test_the_error_of_a_split_by_densities_is_that_of_its_formula() -> None:
    """Feed solids from a timed sample and three densities: the delta method on the closed form."""
    values, sds = (2.9729, 1130.0, 1280.0, 1040.0), (0.05, 3.0, 4.0, 2.0)

    def feed(timed: float, *densities: float) -> float:
        solids = [solids_of_pulp(d) for d in densities]
        return timed * solids[1] / underflow_share(*solids)

    readings = [
        Reading("concentrate", wet_mass(), values[0], sds[0]),
        *(
            Reading(s, pulp_density(SOLID, WATER_DENSITY), d, sd)
            for s, d, sd in zip(NAMES, values[1:], sds[1:], strict=True)
        ),
    ]

    balance = reconcile_balance(CYCLONE, readings)

    value, sd = known(balance.masses["feed"])
    assert pytest.approx(feed(*values), rel=1e-9) == value
    assert pytest.approx(delta_sd(feed, values, sds), rel=1e-6) == sd


def test_the_unit_of_density_does_not_matter() -> None:
    """Densities in g/cm3 give what densities in kg/m3 give."""

    def found(unit: float) -> Balance:
        kind = pulp_density(SOLID / unit, WATER_DENSITY / unit)
        densities = (1130.0, 1280.0, 1040.0)
        readings = [Reading("concentrate", wet_mass(), 3.0, 0.05)]
        readings += [
            Reading(s, kind, d / unit, 3.0 / unit) for s, d in zip(NAMES, densities, strict=True)
        ]
        return reconcile_balance(CYCLONE, readings)

    first, second = found(1.0), found(1000.0)

    for name in NAMES:
        assert pytest.approx(known(first.masses[name]), rel=1e-9) == known(second.masses[name])


# --- moisture -------------------------------------------------------------------------------


def test_moisture_is_on_wet_mass() -> None:
    """120 t wet at 20 % moisture are 96 t of solids and 24 t of water; errors by delta method."""
    sheet = Flowsheet(("bin",), (Stream("in", None, "bin"), Stream("out", "bin", None)), water=True)
    readings = [Reading("in", wet_mass(), 120.0, 1.2), Reading("in", moisture(), 0.2, 0.01)]

    balance = reconcile_balance(sheet, readings)

    value, sd = known(balance.masses["out"])
    assert pytest.approx(96.0) == value
    assert pytest.approx(delta_sd(lambda w, m: w * (1 - m), (120.0, 0.2), (1.2, 0.01))) == sd
    value, sd = known(balance.amounts["out", WATER])
    assert pytest.approx(24.0) == value
    assert pytest.approx(delta_sd(lambda w, m: w * m, (120.0, 0.2), (1.2, 0.01))) == sd
    assert pytest.approx((0.2, 0.01)) == known(balance.moistures["out"])


def test_an_assay_as_received_counts_the_water() -> None:
    """40 % as received at 10 % moisture is 0.4 / 0.9 of the dry solids, its error by formula."""
    sheet = replace(CYCLONE, components=("Sn",))
    readings = [
        Reading("feed", assay("Sn", as_received=True), 0.40, 0.004),
        Reading("feed", moisture(), 0.10, 0.01),
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 70.0, 1.0),
    ]

    balance = reconcile_balance(sheet, readings)

    value, sd = known(balance.assays["feed", "Sn"])
    assert pytest.approx(0.4 / 0.9) == value
    assert pytest.approx(delta_sd(lambda a, m: a / (1 - m), (0.40, 0.10), (0.004, 0.01))) == sd


def test_a_reading_on_dry_and_one_as_received_check_each_other() -> None:
    """
    Both of one stream with its moisture: one degree of freedom, as scipy minimises it.

    Free: dry assay and moisture; three readings of them.
    """
    sheet = replace(CYCLONE, components=("Sn",))
    values, sds = np.array([0.46, 0.40, 0.12]), np.array([0.005, 0.004, 0.006])
    readings = [
        Reading("feed", "Sn", values[0], sds[0]),
        Reading("feed", assay("Sn", as_received=True), values[1], sds[1]),
        Reading("feed", moisture(), values[2], sds[2]),
    ]

    def residuals(p: np.ndarray) -> np.ndarray:
        return (np.array([p[0], p[0] * (1 - p[1]), p[1]]) - values) / sds

    answer = so.least_squares(residuals, [0.45, 0.1], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    covariance = np.linalg.inv(answer.jac.T @ answer.jac)

    balance = reconcile_balance(sheet, readings)

    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
    assert pytest.approx(2 * answer.cost, rel=1e-8) == balance.test.statistic
    value, sd = known(balance.assays["feed", "Sn"])
    assert pytest.approx(answer.x[0], rel=1e-7) == value
    assert pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6) == sd


# --- nodes with water -----------------------------------------------------------------------


def _pulper() -> Flowsheet:
    return Flowsheet(
        ("pulper",),
        (
            Stream("cake", None, "pulper"),
            Stream("added water", None, "pulper", without=frozenset({"mass"})),
            Stream("pulp", "pulper", None),
        ),
        ("Sn",),
        water=True,
    )


def test_a_pulping_node_adds_water_and_nothing_else() -> None:
    """
    100 t of cake at 8 % moisture on wet mass, and 150 t of water: the pulp by addition.

    Solids 100, water 100 · 0.08/0.92 + 150; the pipe holds no solids and so has no assay.
    """
    readings = [
        Reading("cake", "mass", 100.0, 1.0),
        Reading("cake", moisture(), 0.08, 0.004),
        Reading("cake", "Sn", 0.3, 0.01),
        Reading("added water", "water", 150.0, 3.0),
    ]
    values, sds = (100.0, 0.08, 150.0), (1.0, 0.004, 3.0)

    def solids(m: float, wet: float, added: float) -> float:
        return m / (m / (1 - wet) + added)

    balance = reconcile_balance(_pulper(), readings)

    assert Outcome.CLOSED is balance.outcome
    assert pytest.approx((100.0, 1.0)) == known(balance.masses["pulp"])
    water, sd = known(balance.moistures["pulp"])
    assert pytest.approx(1 - solids(*values)) == water
    assert pytest.approx(delta_sd(solids, values, sds), rel=1e-6) == sd
    assert pytest.approx(0.3) == balance.assays["pulp", "Sn"].value
    assert 0.0 == balance.masses["added water"].value
    assert 0.0 == balance.masses["added water"].sd
    assert Knowledge.UNDEFINED is balance.assays["added water", "Sn"].knowledge


def test_an_addition_that_nobody_read_follows_from_the_pulps() -> None:
    """The water added is solids times the difference of dilutions, with the error of that."""
    values, sds = (100.0, 0.6, 0.35), (2.0, 0.01, 0.005)
    readings = [
        Reading("cake", "mass", values[0], sds[0]),
        Reading("cake", solids_content(), values[1], sds[1]),
        Reading("pulp", solids_content(), values[2], sds[2]),
    ]

    def added(m: float, before: float, after: float) -> float:
        return m * (dilution(after) - dilution(before))

    balance = reconcile_balance(_pulper(), readings)

    value, sd = known(balance.amounts["added water", WATER])
    assert pytest.approx(added(*values)) == value
    assert pytest.approx(delta_sd(added, values, sds), rel=1e-6) == sd
    assert Knowledge.OBSERVABLE is balance.amounts["added water", WATER].knowledge


def test_a_dryer_conserves_solids_and_lets_water_go() -> None:
    """
    Dried to nothing: solids and grade are averaged over both sides, moistures are not.

    Equal sds: the mean of 100 and 103, and of 30 and 31 %, by hand.  Its product is without water.
    """
    sheet = Flowsheet(
        ("dryer",),
        (
            Stream("moist", None, "dryer"),
            Stream("dry", "dryer", None, without=frozenset({WATER})),
        ),
        ("Sn",),
        water=True,
        alters={"dryer": frozenset({WATER})},
    )
    readings = [
        Reading("moist", "mass", 100.0, 1.0),
        Reading("dry", "mass", 103.0, 1.0),
        Reading("moist", "Sn", 0.30, 0.01),
        Reading("dry", "Sn", 0.31, 0.01),
        Reading("moist", moisture(), 0.12, 0.01),
    ]

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED is balance.outcome
    assert pytest.approx((101.5, math.sqrt(0.5))) == known(balance.masses["dry"])
    assert pytest.approx(0.305) == balance.assays["moist", "Sn"].value
    assert pytest.approx((0.12, 0.01)) == known(balance.moistures["moist"])
    assert Knowledge.NONREDUNDANT is balance.readings[4].knowledge
    assert 0.0 == balance.moistures["dry"].value
    assert balance.test is not None
    assert 2 == balance.test.degrees_of_freedom


def test_a_dryer_that_is_said_to_conserve_water_contradicts_its_moistures() -> None:
    """Without the alteration 12 % in and 1 % out cannot both be: the test says so."""
    sheet = Flowsheet(
        ("dryer",), (Stream("moist", None, "dryer"), Stream("dry", "dryer", None)), water=True
    )
    readings = [
        Reading("moist", "mass", 100.0, 1.0),
        Reading("moist", moisture(), 0.12, 0.01),
        Reading("dry", moisture(), 0.01, 0.005),
    ]

    conserving = reconcile_balance(sheet, readings)
    altering = reconcile_balance(replace(sheet, alters={"dryer": frozenset({WATER})}), readings)

    assert conserving.test is not None
    # By hand: two readings of one moisture, 0.11 apart.
    expected = 0.11**2 / (0.01**2 + 0.005**2)
    assert pytest.approx(expected) == conserving.test.statistic
    assert altering.test is not None
    assert 0 == altering.test.degrees_of_freedom
    assert pytest.approx(0.01) == altering.moistures["dry"].value


def test_a_thickener_closes_for_solids_and_water_at_once() -> None:
    """
    Wet masses, densities and moistures of all streams, as scipy minimises them.

    Free: solids and water of the two products; nine readings.  Values and errors must agree.
    """
    kinds = (wet_mass(), solids_content(), pulp_density(SOLID, WATER_DENSITY))
    truth = {"concentrate": (60.0, 50.0), "tailing": (2.0, 190.0)}
    truth["feed"] = (62.0, 240.0)
    rng = np.random.default_rng(8)
    formulas = (
        lambda s, w: s + w,
        lambda s, w: s / (s + w),
        lambda s, w: (s + w) / (s / SOLID + w / WATER_DENSITY),
    )
    rows = [(n, k, f) for n in NAMES for k, f in zip(kinds, formulas, strict=True)]
    exact = np.array([f(*truth[n]) for n, _, f in rows])
    sds = np.array([0.01, 0.02, 0.004] * 3) * exact
    values = exact + sds * rng.normal(size=9)

    def residuals(p: np.ndarray) -> np.ndarray:
        by = {"concentrate": p[:2], "tailing": p[2:], "feed": p[:2] + p[2:]}
        return (np.array([f(*by[n]) for n, _, f in rows]) - values) / sds

    answer = so.least_squares(
        residuals, [50, 60, 3, 180], jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15
    )
    covariance = np.linalg.inv(answer.jac.T @ answer.jac)

    balance = reconcile_balance(
        CYCLONE,
        [Reading(n, k, v, sd) for (n, k, _), v, sd in zip(rows, values, sds, strict=True)],
    )

    assert balance.test is not None
    assert 5 == balance.test.degrees_of_freedom
    assert pytest.approx(2 * answer.cost, rel=1e-8) == balance.test.statistic
    for i, name in enumerate(("concentrate", "tailing")):
        value, sd = known(balance.masses[name])
        assert pytest.approx(answer.x[2 * i], rel=1e-6) == value
        assert pytest.approx(math.sqrt(covariance[2 * i, 2 * i]), rel=1e-5) == sd
        value, sd = known(balance.amounts[name, WATER])
        assert pytest.approx(answer.x[2 * i + 1], rel=1e-6) == value
        assert pytest.approx(math.sqrt(covariance[2 * i + 1, 2 * i + 1]), rel=1e-5) == sd
    assert {"mass", WATER} == {c.of for c in balance.closure}
    assert all(abs(c.relative) < 1e-9 for c in balance.closure)


# --- limits and bad input -------------------------------------------------------------------


def test_a_moisture_that_noise_drives_below_zero_ends_at_zero() -> None:
    """A negative moisture ends on the bound, and the bound is named."""
    sheet = Flowsheet(("bin",), (Stream("in", None, "bin"), Stream("out", "bin", None)), water=True)
    readings = [Reading("in", "mass", 50.0, 1.0), Reading("in", moisture(), -0.004, 0.003)]

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED_WITH_ACTIVE_BOUNDS is balance.outcome
    assert 0.0 == balance.moistures["out"].value
    assert {WATER} == {b.of for b in balance.active_bounds}
    assert balance.test is not None
    assert pytest.approx((0.004 / 0.003) ** 2) == balance.test.statistic


@pytest.mark.parametrize("of", [moisture(), wet_mass(), solids_content()])
def test_water_is_read_only_where_it_is_followed(of) -> None:
    """A moisture on a flowsheet of dry solids is refused, and the message says what to do."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(separator(), [Reading("feed", of, 0.1, 0.01)])

    assert ["quantity-not-followed"] == [f.code for f in refused.value.faults]


def test_a_pipe_without_solids_has_no_assay_to_read() -> None:
    """An assay of water alone is refused."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(_pulper(), [Reading("added water", "Sn", 0.1, 0.01)])

    assert ["stream-without-it"] == [f.code for f in refused.value.faults]
