"""Size classes: what a screen or a cyclone conserves, what a mill does not, grades by class."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize as so

from reconcile import (
    SIZES,
    SOLIDS,
    Flowsheet,
    Knowledge,
    Outcome,
    Part,
    Reading,
    Stream,
    reconcile_balance,
)
from reconcile.balance import Estimate, Known
from reconcile.measurands import assay, size_fraction
from tests.flowsheets import separator
from tests.propagation import delta_sd

COARSE, FINE = "+106 µm", "-106 µm"
THREE = ("+212 µm", "-212 +75 µm", "-75 µm")


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


def grinding(*, mill_alters: bool = True) -> Flowsheet:
    """Give a mill in closed circuit with a cyclone; all of the cyclone's feed is ground."""
    return Flowsheet(
        ("junction", "mill", "cyclone"),
        (
            Stream("fresh feed", None, "junction"),
            Stream("mill feed", "junction", "mill"),
            Stream("cyclone feed", "mill", "cyclone"),
            Stream("underflow", "cyclone", "junction"),
            Stream("overflow", "cyclone", None),
        ),
        classes=(COARSE, FINE),
        alters={"mill": frozenset({SIZES})} if mill_alters else {},
    )


def circulating_load(overflow: float, underflow: float, feed: float) -> float:
    """Give underflow over overflow from the percentages that pass."""
    return (overflow - feed) / (feed - underflow)


def passing(values: dict[str, float], sd: float) -> list[Reading]:
    """Read the fine fraction of streams."""
    return [Reading(s, size_fraction((FINE,)), v, sd) for s, v in values.items()]


PERCENTAGES = {"overflow": 0.80, "underflow": 0.22, "cyclone feed": 0.31666666666666665}
"""Cyclone feed 600 of overflow 100 and underflow 500, so (80 + 5 · 22) / 6 per cent passes."""


# --- circulating load -----------------------------------------------------------------------


def test_three_percentages_give_a_circulating_load_of_500_per_cent() -> None:
    """
    (80 - 31.67) / (31.67 - 22) = 5, from the percentages passing alone.

    What leaves as overflow is the fresh feed, so the load is the yield of the underflow.  No mass
    is known.
    """
    balance = reconcile_balance(grinding(), passing(PERCENTAGES, 0.005))

    assert Outcome.CLOSED is balance.outcome
    assert pytest.approx(5.0, rel=1e-9) == balance.yields["underflow"].value
    assert pytest.approx(6.0, rel=1e-9) == balance.yields["cyclone feed"].value
    assert {None} == {m.value for m in balance.masses.values()}
    assert not [w for w in balance.warnings if "sizes" in w]


def test_the_error_of_a_circulating_load_is_that_of_its_formula() -> None:
    """
    With load L and ``d`` = feed - underflow its variance is (s_o² + (1 + L)² s_f² + L² s_u²) / d².

    The slopes of (o - f) / (f - u) by hand.
    """
    sds = {"overflow": 0.008, "underflow": 0.004, "cyclone feed": 0.002}
    readings = [replace(r, sd=sds[str(r.stream)]) for r in passing(PERCENTAGES, 1.0)]
    load, d = 5.0, PERCENTAGES["cyclone feed"] - PERCENTAGES["underflow"]
    expected = math.hypot(
        sds["overflow"], (1 + load) * sds["cyclone feed"], load * sds["underflow"]
    )

    balance = reconcile_balance(grinding(), readings)

    assert pytest.approx(expected / d, rel=1e-7) == balance.yields["underflow"].sd


def test_a_weighed_feed_turns_the_load_into_tonnes() -> None:
    """100 t/h of fresh feed and a load of 5: 600 t/h to the cyclone; errors by the delta method."""
    readings = [*passing(PERCENTAGES, 0.003), Reading("fresh feed", "mass", 100.0, 2.0)]

    balance = reconcile_balance(grinding(), readings)

    value, sd = known(balance.masses["cyclone feed"])
    assert pytest.approx(600.0) == value
    expected = delta_sd(
        lambda m, *p: m * (1 + circulating_load(*p)),
        (100.0, *PERCENTAGES.values()),
        (2.0, 0.003, 0.003, 0.003),
    )
    assert pytest.approx(expected, rel=1e-6) == sd


# --- what a node conserves ------------------------------------------------------------------

SURVEY = {
    "fresh feed": 0.10,
    "overflow": 0.80,
    "underflow": 0.22,
    "cyclone feed": 0.317,
    "mill feed": 0.20,
}
"""Mill feed (100 · 10 + 500 · 22) / 600 = 20 %."""


def _surveyed() -> list[Reading]:
    masses = {"fresh feed": 100.0, "underflow": 500.0, "cyclone feed": 600.0, "mill feed": 600.0}
    return [
        *passing(SURVEY, 0.004),
        *(Reading(s, "mass", m, 0.01 * m) for s, m in masses.items()),
    ]


def test_sizes_balanced_over_a_mill_are_cautioned_by_its_name() -> None:
    """The other nodes' sizes agree with their readings, so the mill alone is named."""
    balance = reconcile_balance(grinding(mill_alters=False), _surveyed())

    said = [w for w in balance.warnings if "sizes" in w]
    assert 1 == len(said)
    assert "'mill'" in said[0]
    assert "'cyclone'" not in said[0]
    assert "'junction'" not in said[0]
    assert balance.test is not None
    assert balance.test.p_value is not None
    assert balance.test.p_value < 1e-6


def test_a_mill_that_is_said_to_make_sizes_is_not_cautioned() -> None:
    """The same readings then fit; solids are conserved all the same."""
    balance = reconcile_balance(grinding(), _surveyed())

    assert not [w for w in balance.warnings if "sizes" in w]
    assert balance.test is not None
    assert balance.test.p_value is not None
    assert balance.test.p_value > 0.05
    assert balance.masses["mill feed"].value == pytest.approx(
        balance.masses["cyclone feed"].value, rel=1e-9
    )
    assert ("cyclone feed", Part(SOLIDS, FINE)) not in balance.splits
    assert ("overflow", Part(SOLIDS, FINE)) in balance.splits


def test_nodes_that_cannot_be_told_apart_are_all_named() -> None:
    """Two nodes in line and sizes read before and after: either may be the one that grinds."""
    sheet = Flowsheet(
        ("attritioner", "pump"),
        (
            Stream("in", None, "attritioner"),
            Stream("between", "attritioner", "pump"),
            Stream("out", "pump", None),
        ),
        classes=(COARSE, FINE),
    )

    balance = reconcile_balance(sheet, passing({"in": 0.2, "out": 0.5}, 0.01))

    said = [w for w in balance.warnings if "sizes" in w]
    assert 1 == len(said)
    assert "'attritioner' or 'pump'" in said[0]


def test_sizes_that_fit_within_their_errors_are_not_cautioned() -> None:
    """A node that keeps sizes, read within two sds, gets no caution: no alarm without cause."""
    balance = reconcile_balance(
        separator_by(two := (COARSE, FINE)),
        [
            *(Reading(s, "mass", m, 0.5) for s, m in (("feed", 100.0), ("concentrate", 40.0))),
            Reading("feed", size_fraction(two[1:]), 0.50, 0.01),
            Reading("concentrate", size_fraction(two[1:]), 0.80, 0.01),
            Reading("tailing", size_fraction(two[1:]), 0.32, 0.01),
        ],
    )

    assert not [w for w in balance.warnings if "sizes" in w]


def separator_by(classes: tuple[str, ...], components: tuple[str, ...] = ()) -> Flowsheet:
    """Give one separator with size classes, every component followed by size."""
    return replace(separator(components), classes=classes, sized=components)


# --- grades and recoveries by class ---------------------------------------------------------

FRACTIONS = {"feed": (0.3, 0.5, 0.2), "concentrate": (0.15, 0.6, 0.25)}
GRADES = {"feed": (0.02, 0.05, 0.01), "concentrate": (0.10, 0.22, 0.04)}
FEED, CONCENTRATE = 100.0, 18.0


def _exact() -> list[Reading]:
    """Read masses, fractions and grades of feed and concentrate: the tailing follows."""
    readings = [
        Reading("feed", "mass", FEED, 1.0),
        Reading("concentrate", "mass", CONCENTRATE, 0.2),
    ]
    for stream, fractions in FRACTIONS.items():
        for i, size in enumerate(THREE):
            if i:
                readings.append(Reading(stream, size_fraction((size,)), fractions[i], 0.01))
            grade = GRADES[stream][i]
            readings.append(Reading(stream, assay("Sn", (size,)), grade, 0.02 * grade))
    return readings


def test_recovery_by_size_is_fraction_times_assay_times_split() -> None:
    """
    Recovery of each class, of the whole, and the bulk grades, all by hand.

    Class: yield · fraction · grade in the concentrate over the same in the feed.
    """
    part = {
        s: np.multiply(FRACTIONS[s], GRADES[s]) * m
        for s, m in (("feed", FEED), ("concentrate", CONCENTRATE))
    }

    balance = reconcile_balance(separator_by(THREE, ("Sn",)), _exact())

    assert Outcome.CLOSED is balance.outcome
    for i, size in enumerate(THREE):
        recovery = balance.recoveries["concentrate", Part("Sn", size)].value
        assert pytest.approx(part["concentrate"][i] / part["feed"][i], rel=1e-9) == recovery
        assert balance.splits["concentrate", Part("Sn", size)].value == pytest.approx(recovery)
    whole = balance.recoveries["concentrate", "Sn"].value
    assert pytest.approx(part["concentrate"].sum() / part["feed"].sum(), rel=1e-9) == whole
    assert pytest.approx(part["feed"].sum() / FEED, rel=1e-9) == balance.assays["feed", "Sn"].value
    left = (part["feed"] - part["concentrate"]) / (
        np.multiply(FRACTIONS["feed"], FEED) - np.multiply(FRACTIONS["concentrate"], CONCENTRATE)
    )
    found = [balance.class_assays["tailing", Part("Sn", size)].value for size in THREE]
    assert pytest.approx(left, rel=1e-8) == found


def _noisy(seed: int) -> list[Reading]:
    """Read everything of all three streams, bulk grades too, with errors of 1 to 4 %."""
    rng = np.random.default_rng(seed)
    solids = {s: np.multiply(FRACTIONS[s], m) for s, m in (("feed", 100.0), ("concentrate", 18.0))}
    solids["tailing"] = solids["feed"] - solids["concentrate"]
    metal = {s: solids[s] * GRADES[s] for s in FRACTIONS}
    metal["tailing"] = metal["feed"] - metal["concentrate"]
    readings = []

    def read(stream: str, of, truth: float, relative: float) -> None:
        sd = relative * truth
        readings.append(Reading(stream, of, float(truth + sd * rng.normal()), float(sd)))

    for s, held in solids.items():
        read(s, "mass", held.sum(), 0.01)
        read(s, "Sn", metal[s].sum() / held.sum(), 0.03)
        for i, size in enumerate(THREE):
            read(s, size_fraction((size,)), held[i] / held.sum(), 0.02)
            read(s, assay("Sn", (size,)), metal[s][i] / held[i], 0.04)
    return readings


@pytest.mark.parametrize("seed", range(3))
def test_the_classes_make_up_the_whole_after_reconciliation(seed: int) -> None:
    """
    Fractions sum to one; grades weighted by fractions make the bulk grade; recoveries add up.

    Sums of the reply's own figures, whatever was read.
    """
    balance = reconcile_balance(separator_by(THREE, ("Sn",)), _noisy(seed))

    feed = known(balance.component_masses["feed", "Sn"])[0]
    for s in balance.masses:
        fractions = np.array([balance.fractions[s, Part(SOLIDS, c)].value for c in THREE])
        grades = np.array([balance.class_assays[s, Part("Sn", c)].value for c in THREE])
        assert pytest.approx(1.0, abs=1e-10) == fractions.sum()
        assert pytest.approx(fractions @ grades, rel=1e-9) == balance.assays[s, "Sn"].value
        recovered = known(balance.masses[s])[0] * fractions @ grades / feed
        assert pytest.approx(recovered, rel=1e-9) == balance.recoveries[s, "Sn"].value


@pytest.mark.parametrize("seed", range(3))
def test_sizes_and_grades_are_solved_at_once(seed: int) -> None:
    """
    A general optimiser finds the same optimum, values and errors.

    Free: solids and metal by class in the two products, twelve amounts; 24 readings.
    """
    readings = _noisy(seed)

    def residuals(p: np.ndarray) -> np.ndarray:
        x = p.reshape(2, 2, 3)
        by = {"concentrate": x[0], "tailing": x[1], "feed": x[0] + x[1]}
        result = []
        for s in FRACTIONS | {"tailing": ()}:
            solids, metal = by[s]
            result += [solids.sum(), metal.sum() / solids.sum()]
            for i in range(3):
                result += [solids[i] / solids.sum(), metal[i] / solids[i]]
        read = np.array([r.value for r in readings])
        return (np.array(result) - read) / np.array([r.sd for r in readings])

    first = [[CONCENTRATE * np.array(FRACTIONS["concentrate"]), np.array([0.3, 2.0, 0.2])]]
    first.append([np.array([27.0, 39.0, 15.0]), np.array([0.3, 0.5, 0.1])])
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "x_scale": "jac", "jac": "3-point"}
    answer = so.least_squares(residuals, np.array(first).ravel(), **options)
    covariance = np.linalg.inv(answer.jac.T @ answer.jac)

    balance = reconcile_balance(separator_by(THREE, ("Sn",)), readings)

    assert Outcome.CLOSED is balance.outcome
    assert balance.test is not None
    assert 12 == balance.test.degrees_of_freedom
    assert pytest.approx(2 * answer.cost, rel=1e-7) == balance.test.statistic
    found = [
        known(balance.amounts[s, Part(of, size)])
        for s in ("concentrate", "tailing")
        for of in (SOLIDS, "Sn")
        for size in THREE
    ]
    assert pytest.approx(answer.x, rel=1e-5) == [value for value, _ in found]
    assert pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4) == [sd for _, sd in found]


def test_classes_merged_for_assay_count_as_one() -> None:
    """
    One assay of the two coarse classes together: their sum is known, neither class alone.

    Bulk grade (f1 + f2) · merged + f3 · fine by hand, its error by the delta method.
    """
    values, sds = (0.3, 0.5, 0.04, 0.01), (0.01, 0.01, 0.001, 0.0005)
    readings = [
        Reading("feed", size_fraction((THREE[0],)), values[0], sds[0]),
        Reading("feed", size_fraction((THREE[1],)), values[1], sds[1]),
        Reading("feed", assay("Sn", THREE[:2]), values[2], sds[2]),
        Reading("feed", assay("Sn", THREE[2:]), values[3], sds[3]),
    ]

    def bulk(f1: float, f2: float, merged: float, fine: float) -> float:
        return (f1 + f2) * merged + (1 - f1 - f2) * fine

    balance = reconcile_balance(separator_by(THREE, ("Sn",)), readings)

    value, sd = known(balance.assays["feed", "Sn"])
    assert pytest.approx(bulk(*values)) == value
    assert pytest.approx(delta_sd(bulk, values, sds), rel=1e-6) == sd
    for size in THREE[:2]:
        alone = balance.class_assays["feed", Part("Sn", size)]
        assert Knowledge.UNOBSERVABLE is alone.knowledge
        assert alone.value is None
    assert pytest.approx((0.01, 0.0005)) == known(
        balance.class_assays["feed", Part("Sn", THREE[2])]
    )


def test_the_bulk_grade_gives_the_class_that_was_not_assayed() -> None:
    """(bulk - f1 g1 - f2 g2) / f3 by hand, its error by the delta method."""
    values = (0.3, 0.5, 0.033, 0.02, 0.05)
    sds = (0.005, 0.005, 0.0003, 0.0002, 0.0004)
    kinds = (
        size_fraction((THREE[0],)),
        size_fraction((THREE[1],)),
        "Sn",
        assay("Sn", (THREE[0],)),
        assay("Sn", (THREE[1],)),
    )

    def fine(f1: float, f2: float, bulk: float, g1: float, g2: float) -> float:
        return (bulk - f1 * g1 - f2 * g2) / (1 - f1 - f2)

    readings = [Reading("feed", k, v, sd) for k, v, sd in zip(kinds, values, sds, strict=True)]

    balance = reconcile_balance(separator_by(THREE, ("Sn",)), readings)
    without = reconcile_balance(separator_by(THREE, ("Sn",)), [r for r in readings if r.of != "Sn"])

    value, sd = known(balance.class_assays["feed", Part("Sn", THREE[2])])
    assert pytest.approx(fine(*values)) == value
    assert pytest.approx(delta_sd(fine, values, sds), rel=1e-6) == sd
    # Without the bulk grade nothing says what the fines hold, nor then what the whole does.
    assert without.class_assays["feed", Part("Sn", THREE[2])].value is None
    assert without.assays["feed", "Sn"].value is None
    assert pytest.approx(0.02) == without.class_assays["feed", Part("Sn", THREE[0])].value


def test_a_mill_conserves_a_component_but_not_its_classes() -> None:
    """
    Solids and metal pass a mill, classes do not: grades are averaged, fractions are not.

    Equal sds: bulk grade (4.0 + 4.4) / 2 %; the class readings stay as read.
    """
    sheet = Flowsheet(
        ("mill",),
        (Stream("in", None, "mill"), Stream("out", "mill", None)),
        ("Sn",),
        classes=(COARSE, FINE),
        sized=("Sn",),
        alters={"mill": frozenset({SIZES})},
    )
    readings = [
        Reading("in", "Sn", 0.040, 0.001),
        Reading("out", "Sn", 0.044, 0.001),
        Reading("in", size_fraction((FINE,)), 0.2, 0.01),
        Reading("out", size_fraction((FINE,)), 0.7, 0.01),
        Reading("out", assay("Sn", (FINE,)), 0.05, 0.001),
    ]

    balance = reconcile_balance(sheet, readings)

    assert pytest.approx(0.042) == balance.assays["in", "Sn"].value
    assert pytest.approx(0.2) == balance.fractions["in", Part(SOLIDS, FINE)].value
    assert pytest.approx(0.7) == balance.fractions["out", Part(SOLIDS, FINE)].value
    coarse = balance.class_assays["out", Part("Sn", COARSE)].value
    assert pytest.approx((0.042 - 0.7 * 0.05) / 0.3) == coarse
    assert balance.class_assays["in", Part("Sn", FINE)].value is None
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom


@pytest.mark.parametrize("sd", [0.0, 0.001])
def test_a_class_that_is_empty_has_no_grade(sd: float) -> None:
    """
    A product read to have no coarse grains: fraction zero, coarse grade undefined, the rest known.

    All coarse solids then leave by the tailing: 50 of 60, at the mean grade of feed and tailing.
    """
    grade = assay("Sn", (COARSE,))
    readings = [
        Reading("feed", "mass", 100.0, 0.0),
        Reading("concentrate", "mass", 40.0, 0.0),
        Reading("feed", size_fraction((COARSE,)), 0.5, 0.01),
        Reading("concentrate", size_fraction((COARSE,)), 0.0, sd),
        Reading("feed", grade, 0.020, 0.001),
        Reading("concentrate", grade, 0.05, 0.01),
        Reading("tailing", grade, 0.021, 0.001),
    ]

    balance = reconcile_balance(separator_by((COARSE, FINE), ("Sn",)), readings)

    assert balance.fractions["concentrate", Part(SOLIDS, COARSE)].value == 0.0
    empty = balance.class_assays["concentrate", Part("Sn", COARSE)]
    assert Knowledge.UNDEFINED is empty.knowledge
    assert pytest.approx(50 / 60) == balance.fractions["tailing", Part(SOLIDS, COARSE)].value
    assert pytest.approx(0.0205) == balance.class_assays["tailing", Part("Sn", COARSE)].value


def test_an_empty_class_holds_no_component():
    """Where the concentrate holds nothing of a class, all of its tin is in the tailing."""
    sheet = replace(separator(("Sn",)), classes=("C", "F"), sized=("Sn",))

    balance = reconcile_balance(
        sheet,
        [
            Reading("feed", "mass", 100.0, 0.0),
            Reading("concentrate", "mass", 40.0, 0.0),
            Reading("feed", size_fraction(("C",)), 0.5, 0.01),
            Reading("concentrate", size_fraction(("C",)), 0.0, 0.0),
            Reading("feed", assay("Sn", ("C",)), 0.02, 0.001),
        ],
    )

    assert balance.fractions["concentrate", Part("mass", "C")].value == 0.0
    assert balance.class_assays["tailing", Part("Sn", "C")].value == pytest.approx(0.02)
