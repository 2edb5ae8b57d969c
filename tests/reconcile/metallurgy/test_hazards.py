"""Thorium, uranium and silica: activities, levels, and what points to them."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile import Content, Flowsheet, Knowledge, Known, Limit, Options, Reading, Stream
from reconcile.metallurgy.hazards import (
    TH_232,
    U_238,
    Activities,
    Below,
    carriers,
    chance_above,
    chance_in_words,
    held_below,
    is_silica,
    may_carry,
    share_of_element,
)
from reconcile.metallurgy.question import Question, asked_balance
from reconcile.stack import reconcile_stack
from tests.reconcile.metallurgy.cases import PRODUCTS, SHEET, readings

COUNTED = {
    "Th": {"ThO2": share_of_element("Th", "ThO2")},
    "U": {"U3O8": share_of_element("U", "U3O8")},
}


def found(
    sheet: Flowsheet,
    read: list[Reading] | tuple[Reading, ...],
    streams: tuple[str, ...],
    counted: dict[str, dict[str, float]] | None = None,
) -> dict[str, Activities]:
    """Give the activities of streams."""
    question = Question((), streams, COUNTED if counted is None else counted)
    return {a.stream: a for a in asked_balance(sheet, read, question)[1].activities}


def test_activity_of_thorium_and_of_natural_uranium() -> None:
    """
    Bq/g of the element, recomputed from half-lives 1.405e10 and 4.468e9 years: 4057 and 12347.

    12436 would be that of pure U-238; an assay means natural uranium.
    """
    assert pytest.approx(4057, abs=1) == TH_232.activity
    assert pytest.approx(12347, abs=1) == U_238.activity
    assert pytest.approx(246.3, abs=0.2) == 1e6 / TH_232.activity
    assert pytest.approx(80.97, abs=0.05) == 1e6 / U_238.activity


def test_oxides_count_by_their_metal() -> None:
    """ThO2 and U3O8 by standard atomic weights (recomputed): 0.878812 and 0.848005."""
    assert pytest.approx(0.878812, abs=2e-6) == share_of_element("Th", "ThO2")
    assert pytest.approx(0.848005, abs=2e-6) == share_of_element("U", "U3O8")
    assert share_of_element("Th", "no formula") == 0.0


def test_monazite_with_six_per_cent_of_thoria() -> None:
    """214 Bq/g of Th-232 (recomputed)."""
    sheet = Flowsheet(
        ("pass",),
        (Stream("head", None, "pass"), Stream("mag", "pass"), Stream("rest", "pass")),
        ("ThO2",),
    )
    read = [Reading("mag", "ThO2", 0.06, 0.001)]
    of = found(sheet, read, ("mag", "rest"), {"Th": {"ThO2": 0.878812}})
    (known,) = of["mag"].nuclides.values()

    assert pytest.approx(214, abs=0.5) == known.value
    assert pytest.approx(214 / 60, rel=0.01) == known.sd
    assert of["mag"].together is None
    assert Knowledge.UNOBSERVABLE is of["rest"].nuclides["Th-232"].knowledge
    assert of["rest"].nuclides["Th-232"].value is None


def test_a_limit_alone_gives_no_activity() -> None:
    """Below detection is no number, and makes none."""
    sheet = Flowsheet(
        ("pass",),
        (Stream("head", None, "pass"), Stream("mag", "pass"), Stream("rest", "pass")),
        ("ThO2",),
    )
    read = [
        Reading("mag", "mass", 10.0, 0.1),
        Reading("mag", "ThO2", 5e-5, 2e-5, limit=Limit.BELOW),
    ]
    (known,) = found(sheet, read, ("mag",), {"Th": COUNTED["Th"]})["mag"].nuclides.values()

    assert known.value is None


def test_sds_of_activities_are_those_of_repeated_tests() -> None:
    """Each nuclide and their sum, against a Monte Carlo of whole tests (JCGM 101)."""
    exact = readings(None)
    values, sds = np.array([r.value for r in exact]), np.array([r.sd for r in exact])
    draws = values + sds * np.random.default_rng(5).standard_normal((3200, len(exact)))
    points = reconcile_stack(SHEET, exact, draws, options=Options(time_budget_s=60)).points
    got = found(SHEET, exact, PRODUCTS)
    for name in PRODUCTS:
        solids, thoria, urania = points[:, SHEET.stream_index[name]][:, [0, 3, 4]].T
        thorium = thoria / solids * 0.878812 * TH_232.activity
        uranium = urania / solids * 0.848005 * U_238.activity
        known = got[name].nuclides

        assert pytest.approx(thorium.mean(), rel=2e-3) == known["Th-232"].value
        assert pytest.approx(thorium.std(), rel=0.05) == known["Th-232"].sd
        assert pytest.approx(uranium.std(), rel=0.05) == known["U-238"].sd
        assert pytest.approx((thorium + uranium).std(), rel=0.05) == got[name].together.sd


def test_thorium_in_minerals_of_uncertain_content() -> None:
    """Monazite with (6 ± 0.5) % of thoria: the content's error is the activity's."""
    sheet = Flowsheet(
        ("pass",),
        (Stream("head", None, "pass"), Stream("mag", "pass"), Stream("rest", "pass")),
        ("monazite",),
        contents={"monazite": {"ThO2": Content(0.06, 0.005)}},
    )
    read = [Reading("mag", "monazite", 0.5, 0.0)]
    (known,) = found(sheet, read, ("mag",), {"Th": {"ThO2": 0.878812}})["mag"].nuclides.values()

    assert pytest.approx(107, abs=0.5) == known.value
    assert pytest.approx(107 * 0.005 / 0.06, rel=0.01) == known.sd


def test_one_report_of_thorium_is_enough() -> None:
    """Reports stand before formulas; the same metal reported twice is counted once."""
    as_formula = {name: name for name in ("Th", "ThO2", "ZrO2")}
    minerals = {"monazite": "Ce0.9Th0.1PO4", "thorite": "ThSiO4", "quartz": "SiO2"}

    assert ["Th"] == [*carriers("Th", {}, as_formula, minerals)]
    assert ["ThO2"] == [*carriers("Th", {"ThO2": "ThO2"}, as_formula, minerals)]
    assert ["monazite", "thorite"] == [*carriers("Th", {}, {"ZrO2": "ZrO2"}, minerals)]
    assert {} == carriers("U", {}, as_formula, minerals)


@pytest.mark.parametrize(
    ("name", "formula", "mineral"),
    [
        ("Monazite", None, "monazite"),
        ("xenotime", "YPO4", "xenotime"),
        ("zircon", "ZrSiO4", "zircon"),
        ("ZrO2", "ZrO2", "zircon"),
        ("ZrO2+HfO2", "ZrO2+HfO2", None),
        ("Y2O3", "Y2O3", "xenotime"),
        ("CeO2", "CeO2", "monazite"),
        ("ilmenite", "FeTiO3", None),
        ("mineral 7", None, None),
    ],
)
def test_what_points_to_thorium_and_uranium(
    name: str, formula: str | None, mineral: str | None
) -> None:
    """Common practice, no source: monazite, xenotime and zircon carry them in the lattice."""
    assert mineral == may_carry(name, formula)


@pytest.mark.parametrize(
    ("name", "formula", "silica"),
    [
        ("quartz", None, True),
        ("Quartz", "SiO2", True),
        ("SiO2", "SiO2", True),
        ("zircon", "ZrSiO4", False),
        ("quartzite belt", None, False),
        ("opaques", None, False),
    ],
)
def test_what_is_silica(name: str, formula: str | None, *, silica: bool) -> None:
    """By name, or by being SiO2."""
    assert silica == is_silica(name, formula)


def test_chances_and_their_words() -> None:
    """Normal tails; words by the scale of the IPCC (Mastrandrea et al. 2010, from memory)."""
    known = Known(1.2, 0.1, Knowledge.OBSERVABLE)

    assert pytest.approx(0.97725, abs=1e-5) == chance_above(known, 1.0)
    assert chance_above(Known(None, None, Knowledge.UNOBSERVABLE), 1.0) is None
    assert [1.0, 0.0] == [chance_above(Known(1.0, 0.0, Knowledge.REDUNDANT), x) for x in (0.9, 1.0)]
    assert "very likely" == chance_in_words(0.97)
    assert ["virtually certain", "exceptionally unlikely"] == [
        chance_in_words(p) for p in (0.999, 0.001)
    ]


def test_what_was_read_below_a_limit_is_hardly_above_it() -> None:
    """A vague estimate is held by the limit; mean and chance against a simulation."""
    vague, below = Known(0.0, 0.6, Knowledge.OBSERVABLE), Below(0.2, 0.07)
    rng = np.random.default_rng(2)
    drawn = rng.normal(vague.value, vague.sd, 400_000)
    kept = drawn[(drawn >= 0) & (drawn + rng.normal(0, below.sd, len(drawn)) < below.limit)]
    held = held_below(vague, below)

    assert pytest.approx(float((kept > 0.25).mean()), rel=0.05) == chance_above(vague, 0.25, below)
    assert pytest.approx((kept.mean(), kept.std()), rel=0.01) == (held.value, held.sd)
    assert chance_above(vague, 1.0, below) < 1e-9
    assert 0.09 < chance_above(vague, 1.0) < 0.1


def test_a_limit_far_above_changes_nothing() -> None:
    """Nor does one that the estimate knows better than."""
    known, far = Known(1.2, 0.1, Knowledge.OBSERVABLE), Below(50.0, 1.0)

    assert pytest.approx(chance_above(known, 1.1), rel=0.02) == chance_above(known, 1.1, far)
    assert pytest.approx(1.2, rel=1e-6) == held_below(known, far).value
