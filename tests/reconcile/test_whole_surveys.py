"""
Everything at once: water, sizes, minerals, closure, shared errors, limits and orders in one survey.

An invented circuit: a cake is pulped, ground and separated; some is unaccounted for.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest

from reconcile import (
    SIZES,
    SOLIDS,
    WATER,
    Content,
    Flowsheet,
    Limit,
    Order,
    Outcome,
    Part,
    Reading,
    Stream,
    Whole,
    reconcile_balance,
)
from reconcile.balance import Balance, Known
from reconcile.flowsheet import Quantity
from reconcile.measurands import (
    Measurand,
    assay,
    moisture,
    size_fraction,
    solids_content,
    wet_mass,
)
from tests.comparison import differences, items
from tests.flowsheets import (
    bypass_network,
    rougher_cleaner,
    rougher_cleaner_truth,
    separator,
)

COARSE, FINE = "+150 µm", "-150 µm"

SHEET = Flowsheet(
    nodes=("pulper", "mill", "separator"),
    streams=(
        Stream("cake", None, "pulper"),
        Stream("added water", None, "pulper", without=frozenset({SOLIDS})),
        Stream("pulp", "pulper", "mill"),
        Stream("ground", "mill", "separator"),
        Stream("concentrate", "separator", None),
        Stream("tailing", "separator", None),
        Stream("unaccounted", "separator", None, signed=True),
    ),
    components=("ilmenite", "quartz"),
    water=True,
    classes=(COARSE, FINE),
    sized=("ilmenite",),
    alters={"mill": frozenset({SIZES})},
    wholes=(Whole(("ilmenite", "quartz"), ("cake", "pulp", "ground", "concentrate", "tailing")),),
    contents={"ilmenite": {"TiO2": Content(0.53, 0.005)}},
    orders=(Order("ilmenite", "concentrate", "ground"),),
)


@dataclass(frozen=True)
class State:
    """Solids and ilmenite by class (coarse, fine), and water, of one stream."""

    solids: tuple[float, float]
    ilmenite: tuple[float, float]
    water: float


CAKE_WATER = 100 * 0.08 / 0.92
TRUTH = {
    "cake": State((70.0, 30.0), (25.0, 15.0), CAKE_WATER),
    "pulp": State((70.0, 30.0), (25.0, 15.0), 100.0),
    "ground": State((30.0, 70.0), (12.0, 28.0), 100.0),
    "concentrate": State((10.0, 26.0), (9.5, 24.5), 12.0),
    "tailing": State((20.0, 44.0), (2.5, 3.5), 88.0),
}
"""Tonnes; every node closes, the mill moves 40 t and 13 t of ilmenite to the fines."""


def survey(truth: Mapping[str, State] = TRUTH) -> list[Reading]:
    """Read the true state without noise, every kind of reading among them."""
    readings = [
        Reading("added water", "water", 100 - CAKE_WATER, 2.0),
        Reading("cake", moisture(), 0.08, 0.004),
        Reading("pulp", solids_content(), 0.5, 0.01),
        Reading("concentrate", wet_mass(), 48.0, 0.6),
        Reading("tailing", moisture(), 88 / 152, 0.01),
        Reading("unaccounted", "mass", 0.0, 0.5),
        Reading("concentrate", "quartz", 0.4, 0.01, limit=Limit.BELOW),
    ]
    for stream, state in truth.items():
        mass, ilmenite = sum(state.solids), sum(state.ilmenite)
        readings.append(Reading(stream, "mass", mass, 0.01 * mass, (("weigher", 0.005 * mass),)))
        readings.append(Reading(stream, size_fraction((FINE,)), state.solids[1] / mass, 0.01))
        batch = (("batch of TiO2", 0.002),)
        readings.append(Reading(stream, "TiO2", 0.53 * ilmenite / mass, 0.004, batch))
        if stream != "cake":
            for k, size in enumerate((COARSE, FINE)):
                grade = state.ilmenite[k] / state.solids[k]
                readings.append(Reading(stream, assay("ilmenite", (size,)), grade, 0.03 * grade))
    return readings


def noisy(seed: int) -> list[Reading]:
    """Draw every reading around the truth with its own error; the limit stays."""
    rng = np.random.default_rng(seed)
    return [r if r.limit else replace(r, value=r.value + r.sd * rng.normal()) for r in survey()]


def true_amounts(state: State) -> dict[Quantity, float]:
    """Give every quantity of a stream."""
    mass, ilmenite = sum(state.solids), sum(state.ilmenite)
    amounts: dict[Quantity, float] = {SOLIDS: mass, WATER: state.water}
    amounts |= {"ilmenite": ilmenite, "quartz": mass - ilmenite}
    for k, size in enumerate((COARSE, FINE)):
        amounts[Part(SOLIDS, size)] = state.solids[k]
        amounts[Part("ilmenite", size)] = state.ilmenite[k]
    return amounts


def amount(balance: Balance, stream: str, quantity: Quantity) -> float:
    """Give a reconciled amount that must be known."""
    if quantity == SOLIDS:
        value = balance.masses[stream].value
    elif quantity in SHEET.components:
        value = balance.component_masses[stream, str(quantity)].value
    else:
        value = balance.amounts[stream, quantity].value
    assert value is not None
    return value


def everything(balance: Balance) -> dict[tuple[str, ...], Known]:
    """Give every item of a balance, those of water, sizes and minerals too."""
    found = dict(items(balance))
    for name in ("amounts", "moistures", "fractions", "class_assays", "analytes", "contents"):
        for key, item in getattr(balance, name).items():
            words = key if isinstance(key, tuple) else (key,)
            found[name, *(str(word) for word in words)] = item
    return found


def scaled(readings: list[Reading], factor: float) -> list[Reading]:
    """Give the same readings with all amounts in another unit."""
    return [
        replace(
            r,
            value=r.value * factor,
            sd=r.sd * factor,
            causes=tuple((name, size * factor) for name, size in r.causes),
        )
        if r.of in {SOLIDS, "water", wet_mass()}
        else r
        for r in readings
    ]


# --- one survey with everything -------------------------------------------------------------


def test_a_consistent_survey_of_every_kind_is_not_touched() -> None:
    """Readings of a true state: objective 0, every amount the truth, no bound, no caution."""
    balance = reconcile_balance(SHEET, survey())

    assert Outcome.CLOSED is balance.outcome
    assert balance.test is not None
    assert balance.test.statistic < 1e-12
    assert () == balance.active_bounds
    assert () == balance.warnings
    for stream, state in TRUTH.items():
        for quantity, expected in true_amounts(state).items():
            assert pytest.approx(expected, rel=1e-7) == amount(balance, stream, quantity)
    assert pytest.approx(0.53) == balance.contents["ilmenite", "TiO2"].value
    assert pytest.approx([0.0, 0.0], abs=1e-7) == [cause.value for cause in balance.shared]
    assert pytest.approx(0.0, abs=1e-6) == balance.masses["unaccounted"].value


@pytest.mark.parametrize("seed", range(3))
def test_a_survey_of_every_kind_closes_in_every_quantity(seed: int) -> None:
    """Every node that conserves a quantity balances it; classes and minerals make the whole."""
    balance = reconcile_balance(SHEET, noisy(seed))

    assert set(SHEET.quantities) == {c.of for c in balance.closure}
    assert all(abs(c.relative) < 1e-9 for c in balance.closure)
    for stream in TRUTH:
        mass = amount(balance, stream, SOLIDS)
        sizes = math.fsum(amount(balance, stream, Part(SOLIDS, c)) for c in (COARSE, FINE))
        minerals = math.fsum(amount(balance, stream, c) for c in SHEET.components)
        assert pytest.approx(mass, rel=1e-10) == sizes
        assert pytest.approx(mass, rel=1e-10) == minerals
    assert amount(balance, "pulp", Part(SOLIDS, FINE)) < 0.6 * amount(
        balance, "ground", Part(SOLIDS, FINE)
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_unit_of_mass_does_not_matter_to_a_survey_of_every_kind(seed: int) -> None:
    """In kilograms every ratio is as it was in tonnes, every amount a thousandfold."""
    tonnes = everything(reconcile_balance(SHEET, noisy(seed)))
    kilograms = everything(reconcile_balance(SHEET, scaled(noisy(seed), 1000.0)))

    back = {
        key: item._replace(
            value=None if item.value is None else item.value / 1000,
            sd=None if item.sd is None else item.sd / 1000,
        )
        if key[0] in {"mass", "component mass", "amounts"}
        else item
        for key, item in kilograms.items()
    }

    assert [] == differences(tonnes, back, relative=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_a_survey_of_every_kind_does_not_matter(seed: int) -> None:
    """Readings, streams and nodes in another order give the same answer."""
    readings = noisy(seed)
    shuffled, mixed = list(readings), random.Random(seed)  # noqa: S311 - an order, no secret
    mixed.shuffle(shuffled)
    sheet = replace(SHEET, nodes=SHEET.nodes[::-1], streams=SHEET.streams[::-1])

    first = everything(reconcile_balance(SHEET, readings))
    second = everything(reconcile_balance(sheet, shuffled))

    assert [] == differences(first, second, relative=1e-8)


def test_the_objective_of_a_survey_of_every_kind_is_chi_square() -> None:
    """
    120 draws, shared errors and content included: the mean is the degrees of freedom.

    Within 3 standard errors; the limit is far off and counts nothing.
    """
    draws, total, degrees = 120, 0.0, set()
    for seed in range(draws):
        rng = np.random.default_rng(1000 + seed)
        causes = {"weigher": rng.normal(), "batch of TiO2": rng.normal()}
        content = 1 + 0.005 / 0.53 * rng.normal()
        readings = []
        for r in survey():
            value = r.value * (content if r.of == "TiO2" else 1.0)
            value += r.sd * rng.normal() + sum(causes[name] * size for name, size in r.causes)
            readings.append(r if r.limit else replace(r, value=value))
        test = reconcile_balance(SHEET, readings).test
        assert test is not None
        total += test.statistic
        degrees.add(test.degrees_of_freedom)

    assert 1 == len(degrees)
    expected = degrees.pop()
    assert expected >= 10
    assert abs(total / draws - expected) < 3 * math.sqrt(2 * expected / draws)


# --- degenerate surveys ---------------------------------------------------------------------


def _network(*, world: bool) -> Flowsheet:
    return replace(
        bypass_network(world=world),
        components=("a", "b"),
        water=True,
        classes=(COARSE, FINE),
        sized=("a",),
        wholes=(Whole(("a", "b")),),
    )


def test_a_redundant_node_adds_no_check_to_water_sizes_and_closure() -> None:
    """Closing the network over a world node repeats equations of every kind: all as before."""
    rng = np.random.default_rng(1)
    readings = []
    kinds = (
        (SOLIDS, None, 1.0),
        (moisture(), 0.1, 0.003),
        (size_fraction((COARSE,)), 0.4, 0.01),
        (assay("a", (COARSE,)), 0.3, 0.01),
        (assay("a", (FINE,)), 0.2, 0.01),
        ("b", 0.76, 0.01),
    )
    for i, mass in enumerate((101.91, 64.45, 34.65, 64.20, 36.44, 98.88)):
        for of, level, sd in kinds:
            value = mass if level is None else level + sd * rng.normal()
            readings.append(Reading(str(i + 1), of, value, sd))

    plain = reconcile_balance(_network(world=False), readings)
    closed = reconcile_balance(_network(world=True), readings)

    assert plain.test is not None
    assert closed.test is not None
    # Six kinds on six streams, less two flows each of water, both classes and a in both.
    assert 36 - 10 == plain.test.degrees_of_freedom == closed.test.degrees_of_freedom
    assert pytest.approx(plain.test.statistic) == closed.test.statistic
    first = {k: v for k, v in everything(plain).items() if k[0] not in {"yield", "recovery"}}
    assert [] == differences(first, everything(closed))


@pytest.mark.parametrize(
    ("sheet", "kinds"),
    [
        (
            replace(separator(("A", "B")), wholes=(Whole(("A", "B")),)),
            (("A", 0.6), ("B", 0.5)),
        ),
        (
            replace(separator(), classes=(COARSE, FINE)),
            ((size_fraction((COARSE,)), 0.6), (size_fraction((FINE,)), 0.5)),
        ),
        (
            replace(separator(), water=True),
            ((SOLIDS, 100.0), (moisture(), 0.1), (wet_mass(), 120.0)),
        ),
    ],
    ids=["closure", "sizes", "water"],
)
def test_fixed_parts_that_exceed_their_whole_are_a_contradiction(sheet, kinds) -> None:
    """Parts of 110 % in one stream, or masses and moisture that disagree, all fixed: no balance."""
    readings = [Reading("feed", of, value, 0.0) for of, value in kinds]

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CONTRADICTORY is balance.outcome
    assert balance.failure is not None
    assert set(range(len(kinds))) == set(balance.failure.readings)
    assert {} == balance.masses


def test_a_stream_without_mass_has_neither_moisture_nor_sizes() -> None:
    """A product fixed at zero solids and water: all of the feed leaves by the other."""
    sheet = replace(separator(("A",)), water=True, classes=(COARSE, FINE), sized=("A",))
    readings = [
        Reading("feed", SOLIDS, 100.0, 1.0),
        Reading("feed", moisture(), 0.1, 0.01),
        Reading("feed", size_fraction((COARSE,)), 0.3, 0.01),
        Reading("feed", assay("A", (COARSE,)), 0.2, 0.01),
        Reading("feed", "A", 0.3, 0.01),
        Reading("concentrate", SOLIDS, 0.0, 0.0),
        Reading("concentrate", "water", 0.0, 0.0),
    ]

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED is balance.outcome
    assert pytest.approx(100.0) == balance.masses["tailing"].value
    assert pytest.approx(0.1) == balance.moistures["tailing"].value
    assert pytest.approx(0.3) == balance.fractions["tailing", Part(SOLIDS, COARSE)].value
    assert pytest.approx(0.3) == balance.assays["tailing", "A"].value
    assert balance.moistures["concentrate"].value is None
    assert balance.fractions["concentrate", Part(SOLIDS, COARSE)].value is None


# --- six orders of magnitude ----------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_gold_in_grams_per_tonne_is_reconciled_as_if_it_were_a_per_cent(seed: int) -> None:
    """
    60, 30, 9.99 and 0.01 % and gold at 0.6 g/t with errors of 1, 2, 3, 10 and 10 %, a recycle.

    Gold's and the trace's readings ten thousand times as large give ten thousand times their
    results, and nothing else changes, to 1e-8.
    """
    grades = {"A": 0.60, "B": 0.30, "C": 0.0999, "D": 0.0000994, "Au": 0.6e-6}
    splits = {"A": (0.95, 0.9), "B": (0.1, 0.3), "C": (0.01, 0.05), "D": (0.5, 0.5)}
    splits["Au"] = (0.8, 0.7)
    errors = {SOLIDS: 0.01, "A": 0.01, "B": 0.02, "C": 0.03, "D": 0.10, "Au": 0.10}
    columns = [
        rougher_cleaner_truth(np.array(100 * grades[c]), np.array(r), np.array(k))
        for c, (r, k) in splits.items()
    ]
    solids = np.sum(columns, axis=0)
    sheet = rougher_cleaner(tuple(splits))
    rng = np.random.default_rng(seed)
    readings = []
    for i, stream in enumerate(sheet.streams):
        for of, error in errors.items():
            true = solids[i] if of == SOLIDS else columns[list(splits).index(of)][i] / solids[i]
            value = true * (1 + error * rng.normal())
            if of == SOLIDS or value <= 1:
                readings.append(Reading(stream.name, of, value, error * true))
    factor = {"D": 100.0, "Au": 1e4}
    large = [
        replace(r, value=r.value * factor.get(str(r.of), 1.0), sd=r.sd * factor.get(str(r.of), 1.0))
        for r in readings
    ]

    small = reconcile_balance(sheet, readings)
    back = {
        key: item._replace(
            value=None if item.value is None else item.value / factor[key[2]],
            sd=None if item.sd is None else item.sd / factor[key[2]],
        )
        if key[0] in {"assay", "component mass"} and key[2] in factor
        else item
        for key, item in items(reconcile_balance(sheet, large)).items()
    }

    assert small.outcome in {Outcome.CLOSED, Outcome.CLOSED_WITH_ACTIVE_BOUNDS}
    assert [] == differences(items(small), back, relative=1e-8)
    assert all(abs(c.relative) < 1e-9 for c in small.closure)


@pytest.mark.parametrize(
    ("sheet", "fixed"),
    [
        (
            replace(separator(("A", "B")), wholes=(Whole(("A", "B")),)),
            (("feed", "A", 0.6), ("feed", "B", 0.5)),
        ),
        (
            replace(separator(), classes=("C", "F")),
            (("feed", size_fraction(("C",)), 0.6), ("feed", size_fraction(("F",)), 0.5)),
        ),
        (
            separator(("A",)),
            (("feed", "A", 0.6), ("concentrate", "A", 0.7), ("tailing", "A", 0.65)),
        ),
    ],
)
def test_fixed_ratios_that_contradict_do_not_empty_a_weighed_stream(
    sheet: Flowsheet, fixed: tuple[tuple[str, str | Measurand, float], ...]
):
    """Nothing would satisfy them, but something was weighed."""
    masses = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 40.0, 1.0),
    ]
    ratios = [Reading(stream, of, value, 0.0) for stream, of, value in fixed]

    balance = reconcile_balance(sheet, [*masses, *ratios])

    assert balance.outcome is Outcome.CONTRADICTORY
    assert balance.failure is not None
    assert balance.failure.readings
