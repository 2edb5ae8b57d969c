"""What was separated, as a caller asks for it and reads it."""

from __future__ import annotations

import copy
import json
from functools import cache
from typing import Any

import pytest

from service.balances.service import balance
from service.balances.table import as_text
from service.kit.plain_table import width_of
from service.kit.settings import Settings

from .client import example, faults, minimal, post

TRAYS = ["mag 1", "middling 1", "mag 2", "middling 2", "mag 3", "middling 3", "nonmag"]


@cache
def _tin() -> str:
    asked = [{"name": "test", "feed": "feed", "products": TRAYS}]
    reply = post(example("tin-shed") | {"performance": asked})
    assert 200 == reply.status_code, reply.text
    return reply.text


def tin() -> dict[str, Any]:
    """Give the reply to the test of tin-shed concentrate, its trays in the order of the field."""
    found: dict[str, Any] = json.loads(_tin())
    return found


def series() -> dict[str, Any]:
    """Give what was separated in it."""
    (found,) = tin()["performance"]
    return dict(found)


def of(name: str) -> dict[str, Any]:
    """Give one component."""
    return next(s for s in series()["separations"] if s["of"] == name)


def near(found: dict[str, Any]) -> dict[str, Any]:
    """Give value and sd of a figure, to be compared."""
    return {k: pytest.approx(found[k], rel=1e-6) for k in ("value", "sd")}


def test_nothing_is_told_that_was_not_asked() -> None:
    """Without a series there is no performance, and without care no care."""
    reply = post(minimal()).json()

    assert [] == reply["performance"]
    assert reply["care"] is None


def test_the_rest_of_the_balance_is_as_without_it() -> None:
    """Asking changes no figure of the balance."""
    plain, asked = post(example("tin-shed")).json(), tin()

    for member in set(plain) - {"performance", "solver"}:
        assert plain[member] == asked[member], member


def test_each_product_has_the_figures_of_its_stream() -> None:
    """Grade, recovery and yield of a product are those of the balance, with their errors."""
    reply = tin()
    streams = {s["name"]: s for s in reply["streams"]}
    (yields,) = series()["yields"]
    for recovery in reply["recoveries"]:
        shares = {p["product"]: p for p in recovery["products"]}
        for place in of(recovery["component"])["products"]:
            assay = next(
                a
                for a in streams[place["product"]]["assays"]
                if a["component"] == recovery["component"]
            )

            assert near(shares[place["product"]]).items() <= place["recovery"].items()
            assert near(assay).items() <= place["grade"].items()
            assert assay["unit"] == place["grade"]["unit"]
    for told in yields["products"]:
        assert near(streams[told["product"]]["yield"]).items() <= told["alone"].items()


def test_what_is_in_no_tray_is_told() -> None:
    """The handling loss is no tray: its share is told, and sums stop short of 100 %."""
    found = series()
    loss = next(s for s in tin()["streams"] if s["name"] == "handling loss")

    assert pytest.approx(0.7955, abs=1e-3) == found["elsewhere"]["value"]
    assert (
        pytest.approx(100 * loss["mass"]["value"] / 2499.9, rel=1e-3)
        == (found["elsewhere"]["value"])
    )
    assert found["statements"][0].startswith("0.795 ± 0.075 % of the feed's solids is in none")


def test_efficiency_is_told_where_the_pure_mineral_is() -> None:
    """A theoretical content makes a separation efficiency; without one there is none."""
    place, titania = of("Sn")["products"][-1], of("TiO2")["products"][-1]

    assert 78.77 == of("Sn")["pure"]
    assert (
        pytest.approx(place["recovery"]["value"] - place["gangue_recovery"]["value"])
        == (place["separation_efficiency"]["value"])
    )
    assert (None, None) == (titania["gangue_recovery"], titania["separation_efficiency"])


def test_a_curve_stands_between_its_limits() -> None:
    """Points lie above plain splitting and left of perfect separation."""
    curve = of("Sn")["curve"]

    assert "the last product" == curve["begins_with"]
    assert TRAYS[::-1] == [p["product"] for p in curve["points"]]
    assert [(0, 78.77), (100, 78.77)] == [
        (c["recovery"], pytest.approx(c["grade"])) for c in curve["perfect"][:2]
    ]
    head = of("Sn")["head"]["value"]
    assert [(0, head), (100, head)] == [(c["recovery"], c["grade"]) for c in curve["splitting"]]
    for point in curve["points"]:
        assert head - 0.1 < point["grade"]["value"] < 78.77
        assert -1 <= point["correlation"] <= 1


def test_the_ellipse_of_a_point_covers_as_often_as_it_says() -> None:
    """Radius of a normal error in two dimensions: root of -2 ln 0.05."""
    curve = of("Sn")["curve"]

    assert 0.95 == curve["level"]
    assert pytest.approx(2.4477468, abs=1e-6) == curve["radius"]


def test_heads_are_compared_with_what_is_calculated() -> None:
    """Each assay of the head has a sentence, and the figures that are in it."""
    heads = {h["of"]: h for h in series()["heads"]}
    tin_head = heads["Sn"]

    assert ["mass", "Sn", "TiO2", "ZrO2", "Fe", "WO3", "ThO2"] == [*heads]
    assert 23.53 == tin_head["assayed"]
    assert pytest.approx(tin_head["assayed"] - tin_head["calculated"]) == tin_head["difference"]
    assert tin_head["statement"].startswith("Sn of 'feed': read 23.53 ± 0.28 %, calculated 24.")
    assert "they agree" in tin_head["statement"]
    place = tin_head["pointer"].rsplit("/", 1)[1]
    assert "Sn" == example("tin-shed")["readings"][int(place)]["of"]


def test_a_head_that_differs_is_called_so() -> None:
    """A head assay that is off by a quarter is found, and told in words."""
    request = example("tin-shed") | {"performance": [{"feed": "feed", "products": TRAYS}]}
    for reading in request["readings"]:
        if reading["stream"] == "feed" and reading["of"] == "TiO2":
            reading["value"] *= 1.25
    reply = post(request | {"care": {}}).json()
    heads = {h["of"]: h for h in reply["performance"][0]["heads"]}

    assert heads["TiO2"]["among_all"] < 1e-6
    assert "contradict one another" in reply["performance"][0]["statements"][0]
    assert "contradict one another" in reply["care"]["cautions"][0]["text"]
    assert "more than the stated errors explain" in heads["TiO2"]["statement"]


def test_a_head_that_nothing_else_determines_is_not_compared() -> None:
    """With one tray unweighed the head's weight stands alone; the reply says why."""
    request = minimal() | {"performance": [{"feed": "feed", "products": ["mag 1", "nonmag"]}]}
    request["readings"] = [r for r in request["readings"] if r["of"] == "mass"][:2]
    (head,) = post(request).json()["performance"][0]["heads"]

    assert head["calculated"] is None
    assert "Weight of 'feed': not compared, since nothing else determines it." == head["statement"]


def test_makeup_begins_with_what_a_product_is() -> None:
    """Minerals, the most first; the sentence says what dilutes the first."""
    asked = [{"feed": "feed", "products": ["magnetics", "conductors", "nonconductors"]}]
    reply = post(example("mineral-sand") | {"performance": asked}).json()
    (found,) = reply["performance"]
    first = found["makeup"][0]
    shares = [part["share"]["value"] for part in first["parts"]]

    assert ["ilmenite", "garnet"] == [part["of"] for part in first["parts"]][:2]
    assert sorted(shares, reverse=True) == shares
    assert pytest.approx(100) == sum(shares)
    assert first["statement"].startswith("'magnetics' is 73.15 ± 0.68 % ilmenite; beside it 22.79")
    assert "mineral" == first["basis"]
    assert ["These products make up the whole feed."] == found["statements"][:1]


def test_analytes_and_minerals_are_told_apart() -> None:
    """An oxide that several minerals carry is an analyte; loss on ignition may be negative."""
    asked = [{"feed": "feed", "products": ["magnetics", "conductors", "nonconductors"]}]
    reply = post(example("mineral-sand") | {"performance": asked}).json()
    told = {s["of"]: s for s in reply["performance"][0]["separations"]}

    assert ["mineral", "analyte"] == [told[name]["basis"] for name in ("ilmenite", "TiO2")]
    assert [100, None] == [told[name]["pure"] for name in ("ilmenite", "TiO2")]
    assert "less than none" in told["LOI"]["statement"]


def test_by_size_each_class_is_told() -> None:
    """Classes have yields and separations of their own where no node alters sizes."""
    request = minimal()
    request["flowsheet"]["sizes"] = {"unit": "um", "apertures": [100], "components": ["Sn"]}
    request["performance"] = [{"feed": "feed", "products": ["mag 1", "nonmag"]}]
    request["readings"] += [
        {"stream": s, "of": {"size": {"passing": 100}}, "value": v, "sd": 1}
        for s, v in (("mag 1", 40), ("nonmag", 60))
    ] + [
        {"stream": s, "of": {"quantity": "Sn", "size": {"passing": 100}}, "value": v, "sd": 0.5}
        for s, v in (("mag 1", 5.0), ("nonmag", 52.0))
    ]
    (found,) = post(request).json()["performance"]

    assert [None, "+100 um", "-100 um"] == [y["size"] for y in found["yields"]]
    assert [None, "+100 um", "-100 um"] == [s["size"] for s in found["separations"]]
    text = as_text(balance(json.dumps(request).encode(), Settings()))
    assert "Sn, -100 um" in text


def test_another_unit_changes_figures_in_it_alone() -> None:
    """Tin in ppm: grades are ten thousand times as many, shares and efficiencies the same."""
    one = minimal() | {"performance": [{"feed": "feed", "products": ["mag 1", "nonmag"]}]}
    other = copy.deepcopy(one)
    one["flowsheet"]["components"] = [{"name": "Sn", "theoretical": 78.77}]
    other["flowsheet"]["components"] = [{"name": "Sn", "unit": "ppm", "theoretical": 787700}]
    for reading in other["readings"]:
        reading["value"] *= 10_000 if reading["of"] == "Sn" else 1
    places = [
        post(body).json()["performance"][0]["separations"][0]["products"][0]
        for body in (one, other)
    ]

    for share in ("recovery", "separation_efficiency", "gangue_recovery", "enrichment"):
        assert near(places[0][share]).items() <= places[1][share].items()
    assert pytest.approx(1e4 * places[0]["grade"]["sd"]) == places[1]["grade"]["sd"]


def test_several_series_stand_side_by_side() -> None:
    """A pass may be looked at by itself, beside the whole test."""
    asked = [
        {"feed": "feed", "products": TRAYS},
        {"name": "pass 2", "feed": ["rest 1"], "products": ["mag 2", "middling 2", "rest 2"]},
    ]
    found = post(example("tin-shed") | {"performance": asked}).json()["performance"]

    assert ["feed", "pass 2"] == [s["name"] for s in found]
    assert 0 == found[1]["elsewhere"]["value"]
    assert found[1]["separations"][0]["cumulative"][-1]["recovery"]["value"] == pytest.approx(100)


def test_an_unweighed_unassayed_tray_has_no_figures() -> None:
    """What cannot be known is null, and the sentence says so."""
    request = minimal() | {"performance": [{"feed": "feed", "products": ["mag 1", "nonmag"]}]}
    request["readings"] = [
        r for r in request["readings"] if r["of"] == "mass" or r["stream"] == "feed"
    ]
    (found,) = post(request).json()["performance"]
    (separation,) = found["separations"]
    place = separation["products"][0]

    assert "unobservable" == place["recovery"]["class"]
    assert [None, None] == [place["recovery"]["value"], place["grade"]["value"]]
    assert "Sn: where it went cannot be known from what was read." == separation["statement"]
    assert "cannot be known" in found["makeup"][0]["statement"]


def test_the_table_has_a_section_for_each_component() -> None:
    """Trays in rows, figures with errors in columns, nothing wider than a screen."""
    request = example("tin-shed") | {
        "performance": [{"feed": "feed", "products": TRAYS}],
        "care": {"work": ["magnetic"]},
    }
    text = as_text(balance(json.dumps(request).encode(), Settings()))

    assert "What was separated from 'feed'" in text
    assert "efficiency, %" in text
    assert "Care:\n- 'feed': Th-232 8.09 ± 0.22 Bq/g, U-238 not followed." in text
    assert max(map(width_of, text.splitlines())) <= 100


@pytest.mark.parametrize(
    ("change", "place", "code"),
    [
        ({"products": ["mag 9"]}, "/performance/0/products/0", "unknown-stream"),
        ({"feed": "fed"}, "/performance/0/feed", "unknown-stream"),
        ({"products": ["mag 1", "mag 1"]}, "/performance/0/products/1", "repeated-stream"),
        ({"products": ["mag 1", "feed"]}, "/performance/0/products/1", "product-is-feed"),
        ({"feed": []}, "/performance/0/feed", "series-of-nothing"),
        ({"products": ["water"]}, "/performance/0/products/0", "stream-without-grades"),
        ({"products": ["difference"]}, "/performance/0/products/0", "stream-without-grades"),
    ],
)
def test_a_series_that_makes_no_sense_is_refused(
    change: dict[str, Any], place: str, code: str
) -> None:
    """Each fault has its place, what it is and how to mend it."""
    request = minimal()
    request["flowsheet"]["water"] = True
    request["flowsheet"]["streams"] += [
        {"name": "water", "to": "stage 1", "carries": "water"},
        {"name": "difference", "from": "stage 1", "kind": "unaccounted"},
    ]
    request["performance"] = [{"feed": "feed", "products": ["mag 1"]} | change]
    reply = post(request)

    assert 422 == reply.status_code
    assert {place: code} == faults(reply)
    assert all(fault["mend"] for fault in reply.json()["faults"])


@pytest.mark.parametrize(
    ("feed", "products", "place", "code"),
    [
        ("rest 1", ["mag 2", "mag 1"], "/performance/0/products/1", "product-of-another-feed"),
        (
            "feed",
            ["mag 1", "rest 1", "mag 2"],
            "/performance/0/products/2",
            "product-counted-twice",
        ),
    ],
)
def test_products_are_parts_of_the_feed_each_counted_once(
    feed: str, products: list[str], place: str, code: str
) -> None:
    """A stream that the feed does not come to, or that lies within another, is refused."""
    request = example("tin-shed") | {"performance": [{"feed": feed, "products": products}]}

    assert {place: code} == faults(post(request))


def test_a_pass_within_a_recycle_can_be_looked_at() -> None:
    """The concentrate comes round to the feed again; that is no second count of the tailing."""
    request = minimal()
    request["flowsheet"] |= {
        "nodes": ["junction", "rougher", "cleaner"],
        "streams": [
            {"name": "feed", "to": "junction"},
            {"name": "rougher feed", "from": "junction", "to": "rougher"},
            {"name": "rougher concentrate", "from": "rougher", "to": "cleaner"},
            {"name": "nonmag", "from": "rougher"},
            {"name": "mag 1", "from": "cleaner"},
            {"name": "cleaner tailing", "from": "cleaner", "to": "junction"},
        ],
    }
    request["readings"] += [
        {"stream": "rougher feed", "of": "Sn", "value": 30.2, "sd": 0.3},
        {"stream": "cleaner tailing", "of": "mass", "value": 400, "sd": 4},
    ]
    products = ["rougher concentrate", "nonmag"]
    request["performance"] = [{"feed": "rougher feed", "products": products}]
    reply = post(request)

    assert 200 == reply.status_code, reply.text
    assert 0 == reply.json()["performance"][0]["elsewhere"]["value"]


def test_lists_have_their_limits() -> None:
    """Empty lists of products, too many of them, and too many series are refused."""
    good = {"feed": "feed", "products": ["mag 1", "nonmag"]}
    asked = (
        [good | {"products": []}],
        [good | {"products": [f"tray {i}" for i in range(201)]}],
        [good | {"name": f"series {i}"} for i in range(21)],
        [good, copy.deepcopy(good)],
        [good | {"product": ["mag 1"]}],
        [{"feed": 7, "products": [None]}],
        "feed",
    )

    for performance in asked:
        reply = post(minimal() | {"performance": performance})
        assert 422 == reply.status_code, performance
        assert all(f["pointer"].startswith("/performance") for f in reply.json()["faults"])


def test_periods_are_refused() -> None:
    """Shares of a feed over periods with stocks between them mean nothing definite."""
    request = minimal() | {
        "periods": ["day"],
        "performance": [{"feed": "feed", "products": ["mag 1"]}],
    }

    assert {"/performance": "performance-of-periods"} == faults(post(request))


def test_a_slip_elsewhere_hides_no_fault_of_a_series_and_makes_none() -> None:
    """A stream whose name cannot be read may be the one that is named."""
    request = minimal() | {"performance": [{"feed": "feed", "products": ["mag 1", "tails"]}]}
    request["flowsheet"]["streams"][2]["name"] = 7

    assert {"/flowsheet/streams/2/name"} == set(faults(post(request)))
