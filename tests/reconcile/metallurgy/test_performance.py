"""Yields, grades, recoveries and separation efficiencies, one by one and added up."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import Content, Flowsheet, Knowledge, Limit, Options, Reading, Stream, measurands
from reconcile.metallurgy.performance import Performance, Place, Separation, Series
from reconcile.metallurgy.question import Question, asked_balance
from reconcile.minerals import content
from reconcile.stack import reconcile_stack
from tests.flowsheets import separator
from tests.reconcile.metallurgy.cases import (
    PRODUCTS,
    SERIES,
    SHEET,
    Errors,
    plain_figures,
    readings,
    reordered,
    truth,
)

FIGURES = ("grade", "recovery", "enrichment", "gangue", "efficiency")


def performed(
    sheet: Flowsheet, read: tuple[Reading, ...] | list[Reading], series: Series
) -> Performance:
    """Reconcile and give the performance, which must be there."""
    _, answer = asked_balance(sheet, read, Question((series,)))
    assert answer.failure is None
    return answer.performances[0]


def separation(found: Performance, of: str, size: str | None = None) -> Separation:
    """Pick one."""
    return next(s for s in found.separations if (s.of, s.size) == (of, size))


def figures(places: tuple[Place, ...], name: str, member: str = "value") -> list[float]:
    """Give one figure of all places."""
    return [getattr(getattr(place, name), member) for place in places]


def two_products(
    feed: float, concentrate: float, tailing: float, pure: float | None = None
) -> Performance:
    """Perform on grades alone, each exactly as given, with a small error."""
    sheet = separator(("metal",))
    grades = {"feed": feed, "concentrate": concentrate, "tailing": tailing}
    read = [Reading(name, "metal", grade, 1e-3 * grade) for name, grade in grades.items()]
    mineral = {} if pure is None else {"metal": pure}
    return performed(sheet, read, Series(("feed",), ("concentrate", "tailing"), mineral))


def test_two_products_of_copper() -> None:
    """
    Feed 0.8, concentrate 25, tailing 0.15 % Cu.

    Wills' Mineral Processing Technology, two-product formula: recovery 81.7, enrichment 31.3,
    ratio of concentration 38.2, as printed (quoted from memory); further digits recomputed.
    """
    found = two_products(0.008, 0.25, 0.0015)
    first = separation(found, "metal").products[0]

    assert pytest.approx(0.81740443, rel=1e-7) == first.recovery.value
    assert pytest.approx(31.25, rel=1e-9) == first.enrichment.value
    assert pytest.approx(0.02615694, rel=1e-6) == found.yields[0].products[0].value
    assert first.efficiency is None


@pytest.mark.parametrize(
    ("grade", "recovery", "efficiency", "stoichiometric"),
    [
        (0.63, 0.62, 61.802160, 61.800),
        (0.42, 0.72, 71.191458, 71.189),
        (0.21, 0.78, 75.243004, 75.241),
    ],
)
def test_separation_efficiency_of_tin(
    grade: float, recovery: float, efficiency: float, stoichiometric: float
) -> None:
    """
    Feed 1 % Sn, three concentrates (Wills, after Schulz 1970; inputs quoted from memory).

    Figures recomputed; the mineral is taken as 78.6 % Sn, then as its formula SnO2 has it.
    """
    pull = recovery * 0.01 / grade
    tailing = (0.01 - pull * grade) / (1 - pull)
    both = [
        separation(two_products(0.01, grade, tailing, pure), "metal").products[0]
        for pure in (0.786, content("Sn", "SnO2"))
    ]

    assert [place.efficiency is not None for place in both] == [True, True]
    assert pytest.approx([efficiency], abs=1e-4) == [100 * both[0].efficiency.value]
    assert pytest.approx([stoichiometric], abs=1e-3) == [100 * both[1].efficiency.value]


def test_figures_are_those_of_the_textbook() -> None:
    """Exact readings give the truth, in all its figures, by formulas written another way."""
    found = performed(SHEET, readings(None), SERIES)
    flows = truth()
    solids = np.array([flows[name][0] for name in PRODUCTS])
    for of, pure in SERIES.pure.items():
        k = SHEET.quantities.index(of)
        parts = np.array([flows[name][k] for name in PRODUCTS])
        feed = flows["head"][[0, k]]
        single = plain_figures(solids, parts, feed, pure)
        added = plain_figures(solids.cumsum(), parts.cumsum(), feed, pure)
        got = separation(found, of)

        for name in FIGURES:
            assert pytest.approx(single[name], abs=1e-9) == figures(got.products, name)
            assert pytest.approx(added[name], abs=1e-9) == figures(got.cumulative, name)


def test_recoveries_and_yields_end_at_the_whole() -> None:
    """Products that make up the feed hold all of it, without doubt."""
    found = performed(SHEET, readings(3), SERIES)
    last = [s.cumulative[-1] for s in found.separations]

    assert pytest.approx([1.0] * len(last), abs=1e-12) == [p.recovery.value for p in last]
    assert [0.0] * len(last) == [p.recovery.sd for p in last]
    assert pytest.approx([1.0] * len(last), abs=1e-12) == [p.enrichment.value for p in last]
    assert pytest.approx(1.0, abs=1e-12) == sum(y.value or 0 for y in found.yields[0].products)
    assert found.yields[0].cumulative[-1].sd == 0.0
    assert found.elsewhere.value == pytest.approx(0.0, abs=1e-12)
    assert found.elsewhere.sd == 0.0


def test_what_is_left_out_is_told() -> None:
    """Without one product its share of the feed, and the error of it, lies elsewhere."""
    found = performed(SHEET, readings(3), replace(SERIES, products=PRODUCTS[:-1]))
    whole = performed(SHEET, readings(3), SERIES)

    assert pytest.approx(whole.yields[0].products[-1].value) == found.elsewhere.value
    assert pytest.approx(whole.yields[0].products[-1].sd) == found.elsewhere.sd


def test_separation_efficiency_is_recovery_of_mineral_less_that_of_gangue() -> None:
    """Schulz's definition, in every place."""
    found = performed(SHEET, readings(5), SERIES)
    places = [
        p
        for of in SERIES.pure
        for s in (separation(found, of),)
        for p in (*s.products, *s.cumulative)
    ]

    assert pytest.approx([p.recovery.value - p.gangue.value for p in places], abs=1e-12) == [
        p.efficiency.value for p in places
    ]


@pytest.mark.parametrize("order", list(itertools.permutations(range(4)))[1::5])
def test_the_order_of_products_changes_sums_only(order: tuple[int, ...]) -> None:
    """Each product by itself has the same figures wherever it stands."""
    plain = performed(SHEET, readings(5), SERIES)
    moved = performed(SHEET, readings(5), reordered(SERIES, order))

    for one, other in zip(plain.separations, moved.separations, strict=True):
        for name in ("grade", "recovery", "enrichment"):
            for member in ("value", "sd"):
                expected = figures(one.products, name, member)
                assert pytest.approx([expected[k] for k in order], rel=1e-7) == figures(
                    other.products, name, member
                )


def test_a_curve_runs_from_the_end_at_which_it_collects() -> None:
    """Ilmenite comes over first; tin stays behind, so its curve begins at the last product."""
    found = performed(SHEET, readings(5), SERIES)
    iron, tin = separation(found, "ilmenite"), separation(found, "Sn")

    assert iron.backwards is None
    assert tin.backwards is not None
    assert tin.backwards[0] == tin.products[-1]
    assert pytest.approx(1 - tin.cumulative[0].recovery.value) == tin.backwards[-2].recovery.value


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 10**6), st.floats(1e-3, 1e6))
def test_another_unit_of_mass_changes_nothing(seed: int, factor: float) -> None:
    """Every figure is a ratio."""
    read = readings(seed)
    scaled = tuple(
        replace(r, value=factor * r.value, sd=factor * r.sd) if r.of == "mass" else r for r in read
    )
    one, other = (performed(SHEET, some, SERIES) for some in (read, scaled))

    for a, b in zip(one.separations, other.separations, strict=True):
        for name in ("grade", "recovery"):
            for member in ("value", "sd"):
                assert pytest.approx(figures(a.cumulative, name, member), rel=1e-7, abs=1e-10) == (
                    figures(b.cumulative, name, member)
                )


@pytest.mark.parametrize("between", [True, False])
def test_sds_are_those_of_repeated_tests(*, between: bool) -> None:
    """
    Standard deviations and correlations against a Monte Carlo of whole tests (JCGM 101).

    3200 tests of one truth are reconciled, figures come from textbook formulas; the sd of such an
    sd is 1.3 % of it.
    """
    exact = readings(None, Errors(between=between))
    values = np.array([r.value for r in exact])
    sds = np.array([r.sd for r in exact])
    draws = values + sds * np.random.default_rng(11).standard_normal((3200, len(exact)))
    points = reconcile_stack(SHEET, exact, draws, options=Options(time_budget_s=60)).points
    place = [SHEET.stream_index[name] for name in PRODUCTS]
    found = performed(SHEET, exact, SERIES)

    for of, pure in SERIES.pure.items():
        k = SHEET.quantities.index(of)
        solids, parts = points[:, place, 0].cumsum(axis=1), points[:, place, k].cumsum(axis=1)
        drawn = plain_figures(
            solids, parts, points[:, SHEET.stream_index["head"], :][:, [0, k]], pure
        )
        for name in FIGURES:
            spread = drawn[name].std(axis=0)
            got = figures(separation(found, of).cumulative, name, "sd")
            assert pytest.approx(spread[:-1], rel=0.05) == got[:-1], (of, name)
        for j, one in enumerate(separation(found, of).cumulative[:-1]):
            together = np.corrcoef(drawn["grade"][:, j], drawn["recovery"][:, j])[0, 1]
            assert pytest.approx(together, abs=0.05) == one.together


def test_slopes_are_those_of_differences() -> None:
    """
    Slopes of every figure by every reading against central differences of whole balances.

    With independent errors the sd of a figure is the root of the summed squares of slope times sd
    (JCGM 100:2008, 5.1.2).
    """
    read = readings(7)
    found = performed(SHEET, read, SERIES)
    step = 1e-3

    def moved(i: int, by: float) -> np.ndarray:
        shifted = [
            replace(r, value=r.value + by * r.sd) if k == i else r for k, r in enumerate(read)
        ]
        return everything(performed(SHEET, shifted, SERIES), "value")

    slopes = np.array([(moved(i, step) - moved(i, -step)) / (2 * step) for i in range(len(read))])

    # Relative to the largest: a figure of 100 % has no error but rounding.
    expected = everything(found, "sd")
    assert pytest.approx(expected, rel=2e-3, abs=1e-8) == np.sqrt((slopes**2).sum(axis=0))


def everything(found: Performance, member: str) -> np.ndarray:
    """Give all figures of the components that have a pure mineral."""
    return np.array(
        [
            x
            for of in SERIES.pure
            for name in FIGURES
            for x in figures(separation(found, of).cumulative, name, member)
        ]
    )


def test_without_masses_shares_are_known_all_the_same() -> None:
    """Assays alone fix yields and recoveries, though no mass is known."""
    read = [r for r in readings(5) if r.of != "mass"]
    found = performed(SHEET, read, SERIES)
    knowledge = {
        getattr(p, name).knowledge
        for s in found.separations
        for p in s.cumulative
        for name in FIGURES[:3]
    }

    assert {Knowledge.OBSERVABLE} == knowledge
    assert all((y.sd or 0) > 0 for y in found.yields[0].products)


def test_what_cannot_be_known_has_no_number() -> None:
    """A component read in the head alone has a grade there and a recovery nowhere."""
    read = [r for r in readings(5) if r.of != "Sn" or r.stream == "head"]
    tin = separation(performed(SHEET, read, SERIES), "Sn")
    first = tin.products[0]

    assert tin.head.value is not None
    assert {Knowledge.UNOBSERVABLE} == {
        f.knowledge for f in (first.grade, first.recovery, first.efficiency) if f is not None
    }
    assert [None, None] == [first.recovery.value, first.recovery.sd]
    assert tin.cumulative[-1].recovery.value == pytest.approx(1.0)


def test_what_only_limits_were_read_of_is_unknown_not_absent() -> None:
    """Below detection everywhere the estimate is nothing, but nothing says that it is."""
    sheet = separator(("metal",))
    read = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 40.0, 1.0),
        *(
            Reading(name, "metal", 1e-4, 3e-5, limit=Limit.BELOW)
            for name in ("feed", "concentrate", "tailing")
        ),
    ]
    found = performed(sheet, read, Series(("feed",), ("concentrate", "tailing"), {"metal": 0.8}))
    first = separation(found, "metal").products[0]

    assert [Knowledge.UNOBSERVABLE] * 3 == [
        f.knowledge for f in (first.grade, first.recovery, first.enrichment)
    ]


def test_what_was_read_as_nothing_is_absent() -> None:
    """A component of zero in the feed has a grade of zero and no recovery."""
    sheet = separator(("metal",))
    assays = [Reading(name, "metal", 0.0, 1e-5) for name in ("feed", "concentrate", "tailing")]
    masses = [Reading("feed", "mass", 100.0, 1.0), Reading("concentrate", "mass", 40.0, 1.0)]
    series = Series(("feed",), ("concentrate", "tailing"))
    (first, _) = separation(performed(sheet, [*masses, *assays], series), "metal").products

    assert Knowledge.UNDEFINED is first.recovery.knowledge
    assert pytest.approx(0.0, abs=1e-12) == first.grade.value


def test_an_empty_product_has_a_yield_and_no_grade() -> None:
    """Nothing on a tray is a share of nothing, and its grade is undefined."""
    sheet = separator(("metal",))
    read = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 0.0, 0.0),
        Reading("feed", "metal", 0.3, 0.01),
    ]
    found = performed(sheet, read, Series(("feed",), ("concentrate", "tailing"), {"metal": 0.8}))
    first = separation(found, "metal").products[0]

    assert found.yields[0].products[0].value == 0.0
    assert Knowledge.UNDEFINED is first.grade.knowledge
    assert first.recovery.value == 0.0


def test_a_feed_richer_than_the_mineral_has_no_gangue_to_reject() -> None:
    """Altered minerals exceed their formula; the efficiency is then undefined, not infinite."""
    first = separation(two_products(0.6, 0.65, 0.5, pure=0.5264), "metal").products[0]

    assert first.efficiency is not None
    assert Knowledge.UNDEFINED is first.efficiency.knowledge
    assert first.recovery.value is not None


def test_analytes_follow_the_minerals_that_carry_them() -> None:
    """An oxide in two minerals, one of uncertain content, has its own recovery and error."""
    sheet = Flowsheet(
        ("pass",),
        (Stream("head", None, "pass"), Stream("mag", "pass"), Stream("rest", "pass")),
        ("ilmenite", "rutile"),
        contents={
            "ilmenite": {"TiO2": Content(0.52, 0.01), "Fe2O3": Content(0.51)},
            "rutile": {"TiO2": Content(1.0)},
        },
    )
    read = [
        Reading("head", "mass", 1000.0, 1.0),
        Reading("mag", "mass", 400.0, 1.0),
        Reading("mag", "TiO2", 0.5, 0.005),
        Reading("mag", "Fe2O3", 0.46, 0.005),
        Reading("rest", "TiO2", 0.2, 0.005),
        Reading("rest", "Fe2O3", 0.02, 0.001),
    ]
    found = performed(sheet, read, Series(("head",), ("mag", "rest"), {"ilmenite": 1.0}))
    titania = separation(found, "TiO2").products[0]

    assert pytest.approx(400 * 0.5 / (400 * 0.5 + 600 * 0.2), rel=1e-6) == titania.recovery.value
    assert pytest.approx(0.5, rel=1e-6) == titania.grade.value
    assert pytest.approx(0.005, rel=1e-3) == titania.grade.sd
    assert titania.efficiency is None


def test_by_size_the_classes_have_figures_of_their_own() -> None:
    """Where sizes are followed each class has yields, grades and recoveries in it."""
    sheet = replace(separator(("Sn",)), classes=("+100 um", "-100 um"), sized=("Sn",))
    read = [Reading("feed", "mass", 100.0, 0.1), Reading("concentrate", "mass", 40.0, 0.1)]
    for stream, share, tin, tin_fine in (
        ("concentrate", 0.7, 0.5, 0.6),
        ("tailing", 0.4, 0.1, 0.05),
    ):
        read += [
            Reading(stream, measurands.size_fraction(["+100 um"]), share, 0.01),
            Reading(stream, measurands.assay("Sn", ["+100 um"]), tin, 0.01),
            Reading(stream, measurands.assay("Sn", ["-100 um"]), tin_fine, 0.01),
        ]
    found = performed(sheet, read, Series(("feed",), ("concentrate", "tailing"), {"Sn": 0.787}))
    by_hand = 40 * 0.7 * 0.5 / (40 * 0.7 * 0.5 + 60 * 0.4 * 0.1)

    assert ["+100 um", "-100 um"] == [s.size for s in found.separations if s.size is not None]
    first = separation(found, "Sn", "+100 um").products[0]
    assert pytest.approx(by_hand, rel=1e-6) == first.recovery.value
    assert pytest.approx(28 / (28 + 24), rel=1e-6) == found.yields[1].products[0].value


def test_nothing_is_given_by_size_across_a_mill() -> None:
    """A node that makes sizes leaves no recovery of a class."""
    sheet = replace(
        separator(("Sn",)),
        classes=("+100 um", "-100 um"),
        sized=("Sn",),
        alters={"separator": frozenset({"sizes"})},
    )
    read = [Reading("feed", "mass", 100.0, 0.1), Reading("concentrate", "mass", 40.0, 0.1)]
    found = performed(sheet, read, Series(("feed",), ("concentrate", "tailing")))

    assert [None] == [s.size for s in found.separations]


def test_the_rest_of_a_product_is_what_no_part_accounts_for() -> None:
    """Parts and the rest make up the product, and their errors agree."""
    found = performed(SHEET, readings(5), SERIES)
    iron = separation(found, "ilmenite").products

    assert pytest.approx([1 - p.grade.value for p in iron]) == [o.value for o in found.others]
    assert pytest.approx([p.grade.sd for p in iron]) == [o.sd for o in found.others]


def test_what_would_not_fit_into_memory_costs_no_balance() -> None:
    """The balance comes all the same, and the answer says why it is empty."""
    names = [f"tray {i}" for i in range(200)]
    sheet = Flowsheet(
        ("pass",),
        (Stream("head", None, "pass"), *(Stream(name, "pass", None) for name in names)),
        ("Sn",),
    )
    read = [
        Reading(name, of, value, 0.01)
        for name in names
        for of, value in (("mass", 1.0), ("Sn", 0.2))
    ]
    series = Series(("head",), tuple(names), {"Sn": 0.8})
    balance, answer = asked_balance(sheet, read, Question((series,)), Options(memory_budget_mb=10))

    assert balance.failure is None
    assert () == answer.performances
    assert "memory: a joint covariance needs" in (answer.failure or "")
