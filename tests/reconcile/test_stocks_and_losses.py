"""Unaccounted differences, declared losses, stocks between shifts, composites over shifts."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize as so
from numpy.typing import NDArray

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
from reconcile.measurands import wet_mass
from reconcile.periods import unroll
from tests.propagation import delta_sd

Array = NDArray[np.float64]


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


def masses(values: dict[str, tuple[float, float]]) -> list[Reading]:
    """Read masses with their sds."""
    return [Reading(s, "mass", value, sd) for s, (value, sd) in values.items()]


def plant(*, signed: bool, water: bool = False) -> Flowsheet:
    """Give one node with two products and a stream for what is missing."""
    return Flowsheet(
        ("plant",),
        (
            Stream("feed", None, "plant"),
            Stream("concentrate", "plant", None),
            Stream("tailing", "plant", None),
            Stream("missing", "plant", None, signed=signed),
        ),
        ("Sn",),
        water=water,
    )


# --- unaccounted ----------------------------------------------------------------------------


@pytest.mark.parametrize(("tailing", "left"), [(58.0, 2.0), (63.5, -3.5)])
def test_what_is_unaccounted_is_feed_less_products_with_their_errors(
    tailing: float, left: float
) -> None:
    """A signed stream takes the difference, loss or gain, sd of all three in squares; none move."""
    readings = masses({"feed": (100.0, 1.0), "concentrate": (40.0, 0.6), "tailing": (tailing, 0.8)})

    balance = reconcile_balance(plant(signed=True), readings)

    assert Outcome.CLOSED is balance.outcome
    assert pytest.approx((left, math.sqrt(1 + 0.36 + 0.64))) == known(balance.masses["missing"])
    assert Knowledge.OBSERVABLE is balance.masses["missing"].knowledge
    assert pytest.approx(tailing) == balance.masses["tailing"].value
    assert balance.test is not None
    assert 0 == balance.test.degrees_of_freedom


def test_the_metal_unaccounted_is_fed_less_recovered() -> None:
    """``f F - c C - t T`` and its error by the delta method of six independent readings."""
    values = (100.0, 40.0, 57.0, 0.20, 0.45, 0.02)
    sds = (1.0, 0.4, 0.6, 0.004, 0.005, 0.001)
    streams = ("feed", "concentrate", "tailing")
    readings = [
        Reading(streams[i % 3], "mass" if i < 3 else "Sn", v, sd)
        for i, (v, sd) in enumerate(zip(values, sds, strict=True))
    ]

    def left(f: float, c: float, t: float, *grades: float) -> float:
        return f * grades[0] - c * grades[1] - t * grades[2]

    balance = reconcile_balance(plant(signed=True), readings)

    expected = left(*values), delta_sd(left, values, sds)
    assert pytest.approx(expected, rel=1e-6) == known(balance.component_masses["missing", "Sn"])


def test_water_may_be_unaccounted_too() -> None:
    """Wet masses and moistures known, the water missing is the difference."""
    readings = [
        *masses({"feed": (100.0, 1.0), "concentrate": (40.0, 0.6), "tailing": (58.0, 0.8)}),
        Reading("feed", "water", 10.0, 0.3),
        Reading("concentrate", wet_mass(), 46.0, 0.5),
        Reading("tailing", "water", 6.0, 0.2),
    ]

    balance = reconcile_balance(plant(signed=True, water=True), readings)

    value, sd = known(balance.amounts["missing", WATER])
    assert pytest.approx(10.0 - (46.0 - 40.0) - 6.0, abs=1e-9) == value
    assert pytest.approx(math.sqrt(0.09 + 0.25 + 0.36 + 0.04)) == sd


def test_a_difference_has_no_assay() -> None:
    """A ratio of what may be negative is refused, amounts of it are not."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(plant(signed=True), [Reading("missing", "Sn", 0.1, 0.01)])

    assert ["ratio-of-a-difference"] == [f.code for f in refused.value.faults]


# --- losses ---------------------------------------------------------------------------------


def test_a_declared_loss_shares_the_misfit_by_its_prior() -> None:
    """
    A dust loss of 1.0 ± 0.5 is one more reading: ``x = y - v a (a·y) / (a·v a)`` by hand.

    Imbalance 100 - 40 - 57 - 1 = 2 over variances 1, 0.36, 0.64, 0.25.
    """
    a = np.array([1.0, -1, -1, -1])
    y, v = np.array([100.0, 40, 57, 1]), np.array([1.0, 0.36, 0.64, 0.25])
    expected = y - v * a * (a @ y) / v.sum()
    names = ("feed", "concentrate", "tailing", "missing")
    readings = [Reading(s, "mass", m, math.sqrt(w)) for s, m, w in zip(names, y, v, strict=True)]

    balance = reconcile_balance(plant(signed=False), readings)

    assert pytest.approx(expected) == [balance.masses[s].value for s in names]
    sds = [balance.masses[s].sd for s in names]
    assert pytest.approx(np.sqrt(v - v**2 / v.sum())) == sds
    assert balance.test is not None
    assert pytest.approx(4 / v.sum()) == balance.test.statistic


def test_a_loss_is_never_a_gain() -> None:
    """
    Products above the feed: the loss ends at zero by name, the rest balances without it.

    By hand: imbalance -3.5 over variances 1, 0.36, 0.64; the loss's own misfit counts 1.
    """
    readings = masses(
        {
            "feed": (100.0, 1.0),
            "concentrate": (40.0, 0.6),
            "tailing": (63.5, 0.8),
            "missing": (1.0, 1.0),
        }
    )

    balance = reconcile_balance(plant(signed=False), readings)

    assert Outcome.CLOSED_WITH_ACTIVE_BOUNDS is balance.outcome
    assert 0.0 == balance.masses["missing"].value
    assert ["missing"] == [b.stream for b in balance.active_bounds if b.of == "mass"]
    assert pytest.approx(100 + 3.5 * 1.0 / 2) == balance.masses["feed"].value
    assert balance.test is not None
    assert pytest.approx(3.5**2 / 2 + 1) == balance.test.statistic


# --- stocks ---------------------------------------------------------------------------------

SHIFTS = ("shift 1", "shift 2")
BIN = Flowsheet(("bin",), (Stream("ore", None, "bin"), Stream("reclaimed", "bin", None)), ("Sn",))


def surveyed() -> tuple[Flowsheet, list[Reading]]:
    """Give a bin over two shifts: opening, middle and closing survey, flows and their grades."""
    sheet = unroll(BIN, SHIFTS, ("bin",)).flowsheet
    rng = np.random.default_rng(9)
    truth = {
        "bin at the start": (400.0, 120.0),
        "ore in shift 1": (210.0, 84.0),
        "reclaimed in shift 1": (180.0, 58.0),
        "bin at the end of shift 1": (430.0, 146.0),
        "ore in shift 2": (190.0, 57.0),
        "reclaimed in shift 2": (220.0, 77.0),
        "bin at the end of shift 2": (400.0, 126.0),
    }
    readings = []
    for stream, (solids, tin) in truth.items():
        error = 0.05 if stream.startswith("bin") else 0.01
        readings.append(
            Reading(stream, "mass", solids * (1 + error * rng.normal()), error * solids)
        )
        grade = tin / solids
        readings.append(Reading(stream, "Sn", grade * (1 + 0.03 * rng.normal()), 0.03 * grade))
    return sheet, readings


def test_two_shifts_are_solved_together() -> None:
    """
    Closing stock of the first shift is the opening stock of the second: a general optimiser agrees.

    Free: solids and tin of five streams; the other two follow from the book.  Nothing says that
    what is reclaimed has the grade of the stock.
    """
    sheet, readings = surveyed()
    free = ("bin at the start", "ore in shift 1", "reclaimed in shift 1")
    free += ("ore in shift 2", "reclaimed in shift 2")

    def amounts(p: Array) -> dict[str, Array]:
        by = dict(zip(free, p.reshape(5, 2), strict=True))
        by["bin at the end of shift 1"] = by[free[0]] + by[free[1]] - by[free[2]]
        by["bin at the end of shift 2"] = (
            by["bin at the end of shift 1"] + by[free[3]] - by[free[4]]
        )
        return by

    def residuals(p: Array) -> Array:
        by = amounts(p)
        h = [
            by[str(r.stream)][0] if r.of == "mass" else by[str(r.stream)][1] / by[str(r.stream)][0]
            for r in readings
        ]
        return np.array([(v - r.value) / r.sd for v, r in zip(h, readings, strict=True)])

    first = [400.0, 120, 210, 84, 180, 58, 190, 57, 220, 77]
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "x_scale": "jac", "jac": "3-point"}
    answer = so.least_squares(residuals, first, **options)
    errors = np.sqrt(np.diag(np.linalg.inv(answer.jac.T @ answer.jac)))

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED is balance.outcome
    assert balance.test is not None
    assert 4 == balance.test.degrees_of_freedom
    assert pytest.approx(2 * answer.cost, rel=1e-7) == balance.test.statistic
    pairs = [(balance.masses[s], balance.component_masses[s, "Sn"]) for s in free]
    found = [known(item) for pair in pairs for item in pair]
    assert pytest.approx(answer.x, rel=1e-6) == [value for value, _ in found]
    assert pytest.approx(errors, rel=1e-5) == [sd for _, sd in found]
    held = amounts(answer.x)["bin at the end of shift 1"]
    assert pytest.approx(held[0], rel=1e-6) == balance.masses["bin at the end of shift 1"].value


def test_the_change_of_a_stock_is_known_by_its_surveys_and_by_its_flows() -> None:
    """The change is closing less opening and inflow less outflow, in solids and in tin."""
    balance = reconcile_balance(*surveyed())

    for of in ("mass", "Sn"):

        def value(stream: str, of: str = of, balance: Balance = balance) -> float:
            found = balance.masses[stream] if of == "mass" else balance.component_masses[stream, of]
            return known(found)[0]

        change = value("change of bin in shift 1")
        closing, opening = value("bin at the end of shift 1"), value("bin at the start")
        assert pytest.approx(closing - opening, abs=1e-9) == change
        assert pytest.approx(value("ore in shift 1") - value("reclaimed in shift 1")) == change


def test_a_stock_joined_by_plain_streams_needs_no_word_of_its_own() -> None:
    """
    Two copies of a node joined by the content between: closing = opening by being one stream.

    The misfit of two shifts, all read: least squares with two linear conditions, by hand.
    """
    sheet = Flowsheet(
        ("bin, shift 1", "bin, shift 2"),
        (
            Stream("opening", None, "bin, shift 1"),
            Stream("in 1", None, "bin, shift 1"),
            Stream("out 1", "bin, shift 1", None),
            Stream("between", "bin, shift 1", "bin, shift 2"),
            Stream("in 2", None, "bin, shift 2"),
            Stream("out 2", "bin, shift 2", None),
            Stream("closing", "bin, shift 2", None),
        ),
    )
    y = np.array([50.0, 100, 95, 52, 98, 104, 49])
    v = np.array([2.0, 1, 1, 2, 1, 1, 2]) ** 2
    a = np.array([[1.0, 1, -1, -1, 0, 0, 0], [0, 0, 0, 1, 1, -1, -1]])
    gain = np.diag(v) @ a.T @ np.linalg.inv(a @ np.diag(v) @ a.T)
    expected, covariance = y - gain @ a @ y, np.diag(v) - gain @ a @ np.diag(v)
    readings = [
        Reading(s.name, "mass", m, math.sqrt(w))
        for s, m, w in zip(sheet.streams, y, v, strict=True)
    ]

    balance = reconcile_balance(sheet, readings)

    found = [known(balance.masses[s.name]) for s in sheet.streams]
    assert pytest.approx(expected) == [value for value, _ in found]
    assert pytest.approx(np.sqrt(np.diag(covariance))) == [sd for _, sd in found]


# --- readings over several streams ----------------------------------------------------------


def lines(count: int) -> Flowsheet:
    """Give separate nodes, one for each shift, with what runs through."""
    names = [f"shift {i + 1}" for i in range(count)]
    return Flowsheet(
        tuple(names),
        tuple(
            Stream(f"{end}, {n}", *((None, n) if end == "in" else (n, None)))
            for n in names
            for end in ("in", "out")
        ),
        ("Sn",),
    )


def test_a_composite_over_shifts_is_weighted_by_mass() -> None:
    """
    Three shifts, two of them assayed and a composite of all: the third by hand.

    ``g3 = (g M - g1 M1 - g2 M2) / M3``, errors of masses and assays by the delta method.
    """
    streams = tuple(f"in, shift {i}" for i in (1, 2, 3))
    values = (100.0, 80.0, 120.0, 0.30, 0.34, 0.32)
    sds = (1.0, 0.8, 1.2, 0.003, 0.003, 0.002)
    readings = [Reading(s, "mass", m, sd) for s, m, sd in zip(streams, values, sds, strict=False)]
    readings += [Reading(streams[i], "Sn", values[3 + i], sds[3 + i]) for i in (0, 1)]
    readings.append(Reading(streams, "Sn", values[5], sds[5]))

    def third(m1: float, m2: float, m3: float, g1: float, g2: float, g: float) -> float:
        return (g * (m1 + m2 + m3) - g1 * m1 - g2 * m2) / m3

    balance = reconcile_balance(lines(3), readings)

    expected = third(*values), delta_sd(third, values, sds)
    assert pytest.approx(expected, rel=1e-6) == known(balance.assays["out, shift 3", "Sn"])
    assert Knowledge.NONREDUNDANT is balance.readings[-1].knowledge
    assert pytest.approx(0.32) == balance.readings[-1].value


def test_a_composite_checks_the_shifts_it_is_made_of() -> None:
    """
    Equal fixed masses: the composite is the mean of two shifts, one linear condition by hand.

    Misfit 0.33 - 0.31 shared by variances s², s²/4, s²/4 of composite and halves.
    """
    streams = ("in, shift 1", "in, shift 2")
    readings = [Reading(s, "mass", 50.0, 0.0) for s in streams]
    readings += [Reading(s, "Sn", g, 0.004) for s, g in zip(streams, (0.30, 0.32), strict=True)]
    readings.append(Reading(streams, "Sn", 0.33, 0.002))
    a, v = np.array([0.5, 0.5, -1.0]), np.array([0.004, 0.004, 0.002]) ** 2
    y = np.array([0.30, 0.32, 0.33])
    expected = y - v * a * (a @ y) / (a @ (v * a))

    balance = reconcile_balance(lines(2), readings)

    found = [balance.readings[i].value for i in (2, 3, 4)]
    assert pytest.approx(expected) == found
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
    assert pytest.approx((a @ y) ** 2 / (a @ (v * a))) == balance.test.statistic


def test_one_weigher_over_two_belts_reads_their_sum() -> None:
    """The second belt is the sum less the first, errors in squares."""
    readings = [
        Reading(("in, shift 1", "in, shift 2"), "mass", 180.0, 2.0),
        Reading("in, shift 1", "mass", 110.0, 1.0),
    ]

    balance = reconcile_balance(lines(2), readings)

    assert pytest.approx((70.0, math.sqrt(5.0))) == known(balance.masses["out, shift 2"])
