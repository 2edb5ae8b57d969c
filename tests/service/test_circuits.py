"""What a sampled circuit holds besides dry masses and assays, each against a closed form."""

import math
from typing import Any

import pytest

from .client import post

EXACT = 1e-6
"""An sd so small beside the value that the reading is met, without being fixed."""


def separator(**flowsheet: Any) -> dict[str, Any]:
    """Give a request with one node, a feed and two products, and no readings yet."""
    return {
        "flowsheet": {
            "mass_unit": "t/h",
            "nodes": ["cyclone"],
            "streams": [
                {"name": "feed", "to": "cyclone"},
                {"name": "under", "from": "cyclone"},
                {"name": "over", "from": "cyclone"},
            ],
        }
        | flowsheet,
        "readings": [],
    }


def read(of: Any, value: float | None = None, where: str = "feed", **more: Any) -> dict[str, Any]:
    """Give a reading."""
    given = {"value": value} if value is not None else {}
    return {"stream": where, "of": of} | given | more


def balanced(request: dict[str, Any]) -> dict[str, Any]:
    """Give the reply to a request that must have a balance."""
    reply = post(request)
    assert 200 == reply.status_code, reply.text
    found: dict[str, Any] = reply.json()
    return found


def named(reply: dict[str, Any], name: str, period: str | None = None) -> dict[str, Any]:
    """Give a stream of a reply."""
    found: dict[str, Any] = next(
        s for s in reply["streams"] if (s["name"], s["period"]) == (name, period)
    )
    return found


def test_the_reply_to_a_simple_request_has_empty_sections_for_the_rest() -> None:
    """The shape is the same for every request; what is not followed is empty or null."""
    reply = balanced(separator() | {"readings": [read("mass", 20, sd=1)]})

    for section in ("stocks", "recoveries_by_size", "contents", "shared_errors", "statements"):
        assert [] == reply[section]
    feed = named(reply, "feed")
    assert ([], [], None, None) == tuple(
        feed[member] for member in ("analytes", "sizes", "water", "oxide_total")
    )


# --- water ----------------------------------------------------------------------------------


def test_a_cyclone_is_balanced_by_percent_solids_alone() -> None:
    """
    Dilution ratios 2.3333, 1 and 5.6667 give 14.285714 t/h of underflow from 20 t/h.

    Wills' Mineral Processing Technology, water-ratio balance of a cyclone.
    """
    request = separator(water=True)
    request["readings"] = [
        read("mass", 20, sd=EXACT),
        read("percent solids", 30, sd=EXACT),
        read("percent solids", 50, "under", sd=EXACT),
        read("percent solids", 15, "over", sd=EXACT),
    ]

    under = named(balanced(request), "under")

    assert 14.285714 == pytest.approx(under["mass"]["value"], rel=1e-6)
    assert 14.285714 == pytest.approx(under["water"]["mass"]["value"], rel=1e-6)
    assert 50 == pytest.approx(under["water"]["moisture"]["value"], rel=1e-6)


def test_a_cyclone_is_balanced_by_pulp_densities() -> None:
    """
    Solids of 2650 kg/m3, pulps of 1130, 1280 and 1040, two litres of underflow in 3.1 s.

    Wills' Mineral Processing Technology: 18.476803, 35.132576 and 6.177156 % of solids, 1.044457
    and 1.293138 t/h; the densities make the litres a wet mass.
    """
    request = separator(water=True, solid_density={"value": 2650, "unit": "kg/m3"})
    wet = 2 / 3.1 * 3600 * 1.280 / 1000
    request["readings"] = [
        read("wet mass", wet, "under", sd=EXACT),
        read("pulp density", 1130, sd=1e-4, unit="kg/m3"),
        read("pulp density", 1.280, "under", sd=1e-7, unit="g/cm3"),
        read("pulp density", 1040, "over", sd=1e-4, unit="kg/m3"),
    ]

    reply = balanced(request)

    solids = [
        named(reply, s)["water"]["percent_solids"]["value"] for s in ("feed", "under", "over")
    ]
    assert [18.476803, 35.132576, 6.177156] == pytest.approx(solids, rel=1e-5)
    assert 1.044457 == pytest.approx(named(reply, "under")["mass"]["value"], rel=1e-5)
    assert 1.293138 == pytest.approx(named(reply, "feed")["mass"]["value"], rel=1e-5)


def test_added_water_carries_no_solids() -> None:
    """A stream said to carry water alone adds to the water and to nothing else."""
    request = separator(water=True)
    request["flowsheet"]["streams"].append({"name": "wash", "to": "cyclone", "carries": "water"})
    request["readings"] = [
        read("wet mass", 100, sd=0.1),
        read("moisture", 40, sd=EXACT),
        read("water", 15, "wash", sd=0.1),
    ]

    reply = balanced(request)

    assert 0 == named(reply, "wash")["mass"]["value"]
    assert 60 == pytest.approx(named(reply, "feed")["mass"]["value"], rel=1e-6)


def test_an_assay_as_received_is_on_the_wet_mass() -> None:
    """30 % as received at 10 % of moisture is 33.33 % of the dry solids."""
    request = separator(water=True, components=["Sn"])
    request["readings"] = [
        read("moisture", 10, sd=EXACT),
        read({"quantity": "Sn", "basis": "as received"}, 30, sd=EXACT),
    ]

    assay = named(balanced(request), "feed")["assays"][0]

    assert 100 * 0.30 / 0.90 == pytest.approx(assay["value"], rel=1e-6)


def test_the_error_of_the_solids_density_is_shared_by_all_pulp_densities() -> None:
    """Each pulp density has the sd of 1/(c/solids + (1 - c)/water) by that of the solids."""
    request = separator(water=True, solid_density={"value": 3.0, "sd": 0.1, "unit": "g/cm3"})
    request["readings"] = [read("pulp density", 1.5, sd=0.001, unit="g/cm3")]
    share = (1 - 1 / 1.5) / (1 - 1 / 3.0)

    found = balanced(request)

    of_solids = 1.5**2 * share / 3.0**2 * 0.1
    assert math.hypot(0.001, of_solids) == pytest.approx(found["readings"][0]["sd"])
    assert "density of the solids" in found["readings"][0]["sd_from"]


# --- sizes ----------------------------------------------------------------------------------


def grinding(*, alters: bool = True) -> dict[str, Any]:
    """Give a mill closed by a cyclone."""
    mill = {"name": "mill", "alters": ["sizes"]} if alters else "mill"
    return {
        "flowsheet": {
            "nodes": [mill, "cyclone"],
            "streams": [
                {"name": "new feed", "to": "mill"},
                {"name": "cyclone feed", "from": "mill", "to": "cyclone"},
                {"name": "overflow", "from": "cyclone"},
                {"name": "underflow", "from": "cyclone", "to": "mill"},
            ],
            "sizes": {"unit": "um", "apertures": [75]},
        },
        "readings": [
            read({"size": {"passing": 75}}, value, where, sd=0.001)
            for where, value in (("cyclone feed", 31.666667), ("overflow", 80), ("underflow", 22))
        ],
    }


def test_three_percentages_give_a_circulating_load_of_500_percent() -> None:
    """(80 - 31.666667)/(31.666667 - 22) = 5: sizes balance over the cyclone, not the mill."""
    reply = balanced(grinding())

    cyclone = next(
        s for s in reply["splits"] if (s["node"], s["of"], s["size"]) == ("cyclone", "mass", None)
    )
    share = {s["stream"]: s["value"] for s in cyclone["streams"]}
    assert 5.0 == pytest.approx(share["underflow"] / share["overflow"], rel=1e-6)
    assert not any(s["node"] == "mill" and s["size"] for s in reply["splits"])


def test_sizes_balanced_over_a_mill_bring_a_warning_where_readings_contradict() -> None:
    """A mill that was not said to alter sizes is named, with what to write."""
    request = grinding(alters=False)
    request["readings"].append(read({"size": {"passing": 75}}, 5, "new feed", sd=0.1))

    warnings = balanced(request)["warnings"]

    assert any("'mill'" in w and '"alters": ["sizes"]' in w for w in warnings)
    request["flowsheet"]["nodes"][0] = {"name": "mill", "alters": ["sizes"]}
    assert not any("alters" in w for w in balanced(request)["warnings"])


def test_the_bulk_assay_is_the_weighted_sum_over_the_classes() -> None:
    """40 % at 2 % and 60 % at 1 % of tin make 1.4 %."""
    request = separator(
        components=["Sn"], sizes={"unit": "um", "apertures": [106], "components": ["Sn"]}
    )
    request["readings"] = [
        read({"size": {"retained": 106}}, 40, sd=EXACT),
        read({"quantity": "Sn", "size": {"retained": 106}}, 2, sd=EXACT),
        read({"quantity": "Sn", "size": {"passing": 106}}, 1, sd=EXACT),
    ]

    feed = named(balanced(request), "feed")

    assert 1.4 == pytest.approx(feed["assays"][0]["value"], rel=1e-6)
    assert ["+106 um", "-106 um"] == [size["size"] for size in feed["sizes"]]
    assert [60, 0] == pytest.approx([size["passing"]["value"] for size in feed["sizes"]], rel=1e-6)
    assert 2 == pytest.approx(feed["sizes"][0]["assays"][0]["value"], rel=1e-6)


def test_classes_may_be_merged_for_assay() -> None:
    """One assay of all between two screens; what passes is cumulative."""
    request = separator(
        components=["Sn"], sizes={"unit": "um", "apertures": [63, 250, 125], "components": ["Sn"]}
    )
    request["readings"] = [
        read({"size": {"passing": 250}}, 90, sd=EXACT),
        read({"size": {"from": 63, "to": 250}}, 70, sd=EXACT),
        read({"quantity": "Sn", "size": {"from": 63, "to": 250}}, 3, sd=EXACT),
    ]

    reply = balanced(request)

    feed = named(reply, "feed")
    assert "Sn in -250 +63 um" == reply["readings"][2]["of"]
    assert 3 == pytest.approx(reply["readings"][2]["reconciled"], rel=1e-6)
    assert 20 == pytest.approx(feed["sizes"][3]["share"]["value"], rel=1e-6)
    assert "unobservable" == feed["sizes"][1]["share"]["class"]


def test_recoveries_come_by_size_where_no_node_alters_sizes() -> None:
    """Of 40 fine in 100 of feed, 30 in 50 of overflow are 75 %."""
    request = separator(sizes={"unit": "um", "apertures": [63]})
    request["readings"] = [
        read("mass", 100, sd=EXACT),
        read("mass", 50, "over", sd=EXACT),
        read({"size": {"passing": 63}}, 40, sd=EXACT),
        read({"size": {"passing": 63}}, 60, "over", sd=EXACT),
    ]

    fine = balanced(request)["recoveries_by_size"][1]

    assert ("mass", "-63 um") == (fine["of"], fine["size"])
    assert 75 == pytest.approx(fine["products"][1]["value"], rel=1e-6)


# --- elements and minerals --------------------------------------------------------------------

ILMENITE_TIO2 = 52.6435
"""Content of TiO2 in FeTiO3, %, recomputed from IUPAC standard atomic weights."""


def sand(*minerals: Any, analytes: tuple[Any, ...] = ("TiO2", "SiO2")) -> dict[str, Any]:
    """Give a separator of minerals that make up the whole."""
    names = [m if isinstance(m, str) else m["name"] for m in minerals]
    return separator(
        components=list(minerals), analytes=list(analytes), closures=[{"components": names}]
    )


def test_an_oxide_gives_the_mineral_that_carries_it() -> None:
    """26.32175 % of TiO2, all in ilmenite, is half ilmenite; the rest takes what is left."""
    request = sand({"name": "ilmenite", "formula": "FeTiO3"}, {"name": "quartz", "formula": "SiO2"})
    request["readings"] = [read("TiO2", ILMENITE_TIO2 / 2, sd=EXACT)]

    feed = named(balanced(request), "feed")

    assert [50, 50] == pytest.approx([a["value"] for a in feed["assays"]], rel=1e-5)
    assert 50 == pytest.approx(feed["analytes"][1]["value"], rel=1e-5)


def test_the_oxide_total_of_ilmenite_passes_100_percent_and_is_explained() -> None:
    """
    FeO of 47.3565 % reported as Fe2O3 is 52.633 %, so the oxides total 105.28 %.

    159.687/(2 · 71.844) from IUPAC standard atomic weights.
    """
    request = sand({"name": "ilmenite", "formula": "FeTiO3"}, analytes=("TiO2", "Fe2O3"))
    request["readings"] = [read("TiO2", ILMENITE_TIO2, sd=0.1)]

    reply = balanced(request)

    expected = ILMENITE_TIO2 + 47.3565 * 159.687 / (2 * 71.844)
    assert expected == pytest.approx(named(reply, "feed")["oxide_total"]["value"], rel=1e-4)
    assert any("reported as Fe2O3" in said for said in reply["statements"])


def test_a_loss_on_ignition_may_be_negative() -> None:
    """A mineral that takes up oxygen has a negative content; half of it shows half the gain."""
    request = sand(
        {
            "name": "ilmenite",
            "contents": [
                {"analyte": "TiO2", "value": 50},
                {"analyte": "LOI", "value": -4},
            ],
        },
        {"name": "quartz", "formula": "SiO2"},
        analytes=("TiO2", "SiO2", "LOI"),
    )
    request["readings"] = [read("TiO2", 25, sd=0.1), read("LOI", -2.1, sd=0.1)]

    reply = balanced(request)

    assert named(reply, "feed")["analytes"][2]["value"] < -1.9
    assert not any("negative" in warning for warning in reply["warnings"])


def test_an_uncertain_composition_takes_part_in_the_adjustment() -> None:
    """
    A pure mineral read at 56 ± 1 with a content of 54 ± 1 meets at 55, sd 1/sqrt 2.

    The weighted mean of two values; content and reading move alike.
    """
    request = sand(
        {"name": "ilmenite", "contents": [{"analyte": "TiO2", "value": 54, "sd": 1}]},
        analytes=("TiO2",),
    )
    request["readings"] = [read("TiO2", 56, sd=1)]

    content = balanced(request)["contents"][0]

    assert 55 == pytest.approx(content["value"])
    assert math.sqrt(0.5) == pytest.approx(content["sd"])
    assert ("ilmenite", "TiO2", 54.0) == tuple(
        content[member] for member in ("component", "analyte", "reading")
    )


def test_minerals_that_the_elements_cannot_tell_apart_are_named() -> None:
    """Titanium alone does not tell ilmenite from rutile."""
    request = sand(
        {"name": "ilmenite", "formula": "FeTiO3"},
        {"name": "rutile", "formula": "TiO2"},
        {"name": "quartz", "formula": "SiO2"},
        analytes=("TiO2",),
    )
    request["readings"] = [read("TiO2", 30, sd=0.1)]

    reply = balanced(request)

    assert "unobservable" == named(reply, "feed")["assays"][0]["class"]
    assert any("ilmenite" in w and "rutile" in w for w in reply["warnings"])


# --- closures and orders ----------------------------------------------------------------------


def test_an_exact_closure_shares_the_misfit_by_variance() -> None:
    """60 ± 1 and 43 ± 2 of a whole: 3 too much, shared 1 to 4 (least squares, closed form)."""
    request = separator(components=["A", "B"], closures=[{"components": ["A", "B"]}])
    request["readings"] = [read("A", 60, sd=1), read("B", 43, sd=2)]

    a, b = named(balanced(request), "feed")["assays"]

    assert (60 - 3 / 5, 43 - 12 / 5) == pytest.approx((a["value"], b["value"]))
    assert math.sqrt(1 - 1 / 5) == pytest.approx(a["sd"])


def test_a_closure_with_an_sd_is_another_reading() -> None:
    """With an sd of 2 the misfit of 3 is shared 1 : 4 : 4 between A, B and the total."""
    closure = {"components": ["A", "B"], "streams": ["feed"], "sd": 2}
    request = separator(components=["A", "B"], closures=[closure])
    request["readings"] = [read("A", 60, sd=1), read("B", 43, sd=2)]

    a, b = named(balanced(request), "feed")["assays"]

    assert (60 - 3 / 9, 43 - 12 / 9) == pytest.approx((a["value"], b["value"]))


def test_an_order_holds_where_it_was_asked_for() -> None:
    """A product read poorer than its feed comes out as rich, and the bound is named."""
    request = separator(
        components=["A"],
        orders=[{"component": "A", "stream": "under", "at_least_as_rich_as": "feed"}],
    )
    request["readings"] = [
        read("A", 10, sd=1),
        read("A", 8, "under", sd=1),
        read("mass", 10, sd=0.1),
        read("mass", 6, "under", sd=0.1),
    ]

    reply = balanced(request)

    feed, under = (named(reply, s)["assays"][0]["value"] for s in ("feed", "under"))
    assert 9 == pytest.approx(feed, rel=1e-3)
    assert feed == pytest.approx(under, rel=1e-5)
    assert ["order"] == [bound["bound"] for bound in reply["active_bounds"]]


# --- stocks, losses, combined readings --------------------------------------------------------


def bin_over(*periods: str) -> dict[str, Any]:
    """Give a bin with what comes and what goes."""
    return {
        "flowsheet": {
            "mass_unit": "t",
            "nodes": [{"name": "bin", "stock": True}],
            "streams": [{"name": "ore", "to": "bin"}, {"name": "out", "from": "bin"}],
        },
        "periods": list(periods),
        "readings": [],
    }


def test_a_stock_is_opening_plus_what_came_less_what_went() -> None:
    """400 + 210 - 180 = 430; errors add in squares (JCGM 100:2008, 5.1.2)."""
    request = bin_over()
    request["readings"] = [
        {"stock": "bin", "at": "opening", "of": "mass", "value": 400, "sd": 3},
        read("mass", 210, "ore", sd=2),
        read("mass", 180, "out", sd=6),
    ]

    (stock,) = balanced(request)["stocks"]

    assert 430 == pytest.approx(stock["closing"]["mass"]["value"])
    assert 7 == pytest.approx(stock["closing"]["mass"]["sd"])
    assert 30 == pytest.approx(stock["change"]["mass"]["value"])
    assert math.hypot(2, 6) == pytest.approx(stock["change"]["mass"]["sd"])


def test_the_stock_of_one_shift_opens_the_next() -> None:
    """Closing of the first is opening of the second, named by periods."""
    request = bin_over("day", "night")
    request["readings"] = [
        {"stock": "bin", "at": "opening", "of": "mass", "value": 100, "sd": 1},
        *(
            read("mass", value, where, sd=1, period=period)
            for where, period, value in (
                ("ore", "day", 50),
                ("out", "day", 40),
                ("ore", "night", 30),
                ("out", "night", 45),
            )
        ),
    ]

    day, night = balanced(request)["stocks"]

    assert day["closing"] == night["opening"]
    assert (110, 95) == pytest.approx(
        (day["closing"]["mass"]["value"], night["closing"]["mass"]["value"])
    )


def test_a_survey_is_volume_times_bulk_density() -> None:
    """420 m3 at 1.9 t/m3 are 798 t; relative variances add (JCGM 100:2008, 5.1.6)."""
    request = bin_over()
    request["readings"] = [
        {
            "stock": "bin",
            "at": "closing",
            "survey": {
                "volume": {"value": 420, "sd": 21, "unit": "m3"},
                "bulk_density": {"value": 1900, "relative_sd": 0.03, "unit": "kg/m3"},
            },
        }
    ]

    (reading,) = balanced(request)["readings"]

    assert (798, "t", "bin", "closing") == tuple(
        reading[member] for member in ("value", "unit", "stock", "at")
    )
    assert 798 * math.hypot(0.05, 0.03) == pytest.approx(reading["sd"])
    assert "survey" in reading["sd_from"]


def test_a_composite_over_shifts_is_weighted_by_mass() -> None:
    """100 t at 1 % and 300 t at 3 % make a composite of 2.5 %."""
    request = separator(mass_unit="t", components=["Sn"]) | {"periods": ["day", "night"]}
    request["readings"] = [
        read("mass", 100, sd=EXACT, period="day"),
        read("mass", 300, sd=EXACT, period="night"),
        read("Sn", 1, sd=EXACT, period="day"),
        read("Sn", 2.5, sd=EXACT, period=["day", "night"]),
    ]

    reply = balanced(request)

    night = named(reply, "feed", "night")["assays"][0]
    assert 3 == pytest.approx(night["value"], rel=1e-5)
    assert ["day", "night"] == reply["readings"][3]["periods"]


def test_one_weigher_may_weigh_two_streams_together() -> None:
    """A mass over a list of streams is the mass of their sum."""
    request = separator()
    request["readings"] = [
        {"stream": ["under", "over"], "of": "mass", "value": 12, "sd": 1},
        read("mass", 10, sd=1),
    ]

    reply = balanced(request)

    assert 11 == pytest.approx(named(reply, "feed")["mass"]["value"])
    assert ["under", "over"] == reply["readings"][0]["streams"]


def test_an_unaccounted_difference_may_be_negative_and_is_told() -> None:
    """Products 3 more than the feed leave -3, in a sentence; the feed is not moved."""
    request = separator()
    request["flowsheet"]["streams"].append(
        {"name": "difference", "from": "cyclone", "kind": "unaccounted"}
    )
    request["readings"] = [
        read("mass", 10, sd=1),
        read("mass", 6, "under", sd=1),
        read("mass", 7, "over", sd=1),
    ]

    reply = balanced(request)

    difference = named(reply, "difference")
    assert "unaccounted" == difference["role"]
    assert -3 == pytest.approx(difference["mass"]["value"])
    assert math.sqrt(3) == pytest.approx(difference["mass"]["sd"])
    assert any("-3.0 ± 1.7 t/h" in said for said in reply["statements"])


def test_a_declared_loss_takes_its_prior_into_the_balance() -> None:
    """10 ± 1 in, 8 ± 1 out, 1 ± 1 of loss known beforehand: each gives a third of the misfit."""
    request = separator()
    request["flowsheet"]["streams"] = [
        {"name": "feed", "to": "cyclone"},
        {"name": "product", "from": "cyclone"},
        {"name": "dust", "from": "cyclone", "kind": "loss"},
    ]
    request["readings"] = [
        read("mass", 10, sd=1),
        read("mass", 8, "product", sd=1),
        read("mass", 1, "dust", sd=1),
    ]

    dust = named(balanced(request), "dust")

    assert "loss" == dust["role"]
    assert 1 + 1 / 3 == pytest.approx(dust["mass"]["value"])


# --- units ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "grams"), [("ozt", 31.1034768), ("short ton", 907184.74), ("long ton", 1016046.9088)]
)
def test_every_ton_and_ounce_is_explicit(unit: str, grams: float) -> None:
    """International avoirdupois and troy units in grams, exact by definition."""
    request = separator(mass_unit="g")
    request["readings"] = [read("mass", 2, relative_sd=0.01, unit=unit)]

    assert 2 * grams == pytest.approx(named(balanced(request), "feed")["mass"]["value"], rel=1e-12)


# --- what can be known, and how it fits -------------------------------------------------------


def test_what_is_unknown_comes_with_what_to_read() -> None:
    """Two products of one feed: weighing either makes both known."""
    request = separator()
    request["readings"] = [read("mass", 10, sd=1)]

    (remedy,) = balanced(request)["remedies"]

    assert ["mass of 'under'", "mass of 'over'"] == remedy["unknown"]
    assert [["mass of 'under'"], ["mass of 'over'"]] == remedy["readings"]
    assert remedy["smallest"]


@pytest.mark.parametrize("loss", ["huber", "bisquare"])
def test_a_robust_fit_discounts_the_reading_that_does_not_fit(loss: str) -> None:
    """Of five weighings of one flow, the wild one has a weight below the others' and is told."""
    nodes = [f"n{k}" for k in range(4)]
    streams = [{"name": "s0", "to": "n0"}]
    streams += [{"name": f"s{k + 1}", "from": f"n{k}", "to": f"n{k + 1}"} for k in range(3)]
    streams += [{"name": "s4", "from": "n3"}]
    values = (10.1, 9.9, 10.0, 10.05, 14.0)
    request = {
        "flowsheet": {"mass_unit": "t/h", "nodes": nodes, "streams": streams},
        "readings": [read("mass", v, f"s{k}", sd=0.1) for k, v in enumerate(values)],
        "options": {"robust": loss},
    }

    reply = balanced(request)

    weights = [r["weight"] for r in reply["readings"]]
    assert weights[4] < 0.1
    assert min(weights[:4]) > 0.8
    assert 10.0 == pytest.approx(named(reply, "s0")["mass"]["value"], abs=0.1)
    assert reply["test"]["p_value"] is None
    assert loss in reply["estimator"].lower()


def test_a_single_period_may_have_a_name() -> None:
    """With one period readings need not name it, and streams carry its name."""
    request = separator() | {"periods": ["May"]}
    request["readings"] = [read("mass", 10, sd=1)]

    assert 10 == named(balanced(request), "feed", "May")["mass"]["value"]
