"""A sheet becomes the balance that one would draw by hand, with places on the sheet."""

from __future__ import annotations

import json
from typing import Any

import pytest

from reconcile.errors.sampling import Material, sampling_relative_sd
from service.balances.service import balance
from service.kit.replies import as_json
from service.kit.settings import Settings
from tests.service.client import JSON, ask, post

from .sheets import faults, minimal, parted, reconciled, two_passes


def _by_hand() -> dict[str, Any]:
    """Give the balance of two passes as one would draw it."""
    assay = {"sd": 0.05, "relative_sd": 0.015}
    masses = {"head": 1000.3, "rest 1": 700.4, "mag 2": 99.7, "nonmag": 600.9}
    grades = {"head": 30.1, "mag 1": 5.02, "rest 1": 40.9, "mag 2": 10.1, "nonmag": 45.6}
    return {
        "flowsheet": {
            "mass_unit": "g",
            "nodes": ["first", "second"],
            "streams": [
                {"name": "head", "to": "first"},
                {"name": "mag 1", "from": "first"},
                {"name": "rest 1", "from": "first", "to": "second"},
                {"name": "mag 2", "from": "second"},
                {"name": "nonmag", "from": "second"},
            ],
            "components": ["Sn"],
        },
        "readings": [
            *({"stream": s, "of": "mass", "value": v, "sd": 0.5} for s, v in masses.items()),
            {"stream": "mag 1", "of": "mass", "value": 299.8, "sd": 0.5**0.5},
            *({"stream": s, "of": "Sn", "value": v, **assay} for s, v in grades.items()),
        ],
    }


def test_a_sheet_is_the_balance_drawn_by_hand() -> None:
    """Masses, assays and their sds agree to rounding."""
    by_hand = json.loads(as_json(balance(json.dumps(_by_hand()).encode(), Settings())))
    of_sheet = reconciled(two_passes())

    for drawn, told in zip(by_hand["streams"], of_sheet["streams"], strict=True):
        assert drawn["name"] == told["name"]
        for member in ("value", "sd"):
            assert drawn["mass"][member] == pytest.approx(told["mass"][member], rel=1e-12)
            theirs, ours = (s["assays"][0][member] for s in (drawn, told))
            assert theirs == pytest.approx(ours, rel=1e-12)
    assert by_hand["test"]["statistic"] == pytest.approx(of_sheet["test"]["statistic"], rel=1e-12)


def test_the_request_in_the_reply_brings_the_same_balance() -> None:
    """What is given to go on with can be sent to the balances as it stands."""
    reply = reconciled(two_passes())

    again = post(reply["balance_request"]).json()

    assert again["streams"] == reply["streams"]


def test_readings_are_told_by_their_places_on_the_sheet() -> None:
    """Every pointer leads to something that stands on the sheet."""
    sheet = two_passes()
    reply = reconciled(sheet)

    for pointer in (reading["pointer"] for reading in reply["readings"]):
        at: Any = sheet
        for part in pointer.split("/")[1:]:
            at = at[int(part)] if isinstance(at, list) else at[part]


def test_gross_below_tare_is_told_by_pass_and_tray() -> None:
    """The fault names the pass, the tray, both weights, and where they stand."""
    sheet = two_passes()
    sheet["passes"][0]["products"][0]["gross"] = 101.2

    assert [
        (
            "/passes/0/products/0/gross",
            "gross-below-tare",
            "Pass 1, tray 'mag 1': gross 101.2 g is below tare 112.6 g.",
        )
    ] == faults(sheet)


def test_parts_of_a_head_are_held_to_its_grade() -> None:
    """The parts and what was kept share the grade of the head, within the error stated."""
    reply = reconciled(parted())
    streams = {s["name"]: s for s in reply["streams"]}

    assert {"head to first", "head to repeat", "head, kept"} < set(streams)
    head, kept = (streams[s]["assays"][0] for s in ("head", "head, kept"))
    assert "observable" == kept["class"]
    assert kept["value"] == pytest.approx(head["value"], rel=0.01)
    assert head["sd"] < kept["sd"] < 0.02 * kept["value"]


def test_a_part_that_is_unlike_is_told_with_its_place() -> None:
    """A part of another grade is a suspect whose pointer leads to what was fed."""
    sheet = parted()
    sheet["passes"][1]["fed"]["assays"] = {"Sn": 35.1}
    for product, grade in zip(sheet["passes"][1]["products"], (5.9, 47.5), strict=True):
        product["assays"]["Sn"] = grade

    found = reconciled(sheet)["evidence"]["findings"][0]

    assert "'head to repeat' is less like what it was said to be like" in found["statement"]
    suspects = [e["suspect"] for e in found["explanations"]]
    assert ["/passes/1/fed"] in [suspect["readings"] for suspect in suspects]


def test_parts_without_an_error_are_refused() -> None:
    """How alike the parts are is for whoever parted them to say."""
    sheet = parted()
    del sheet["errors"]["splitting"]

    assert ("/passes/0/fed", "parted-without-error") in {f[:2] for f in faults(sheet)}


def test_the_door_takes_a_sheet() -> None:
    """The service answers as the function does."""
    reply = ask("POST", "/v1/tests", content=json.dumps(minimal()), headers=JSON).json()

    assert ["mag 1", "nonmag"] == [p["lot"] for p in reply["passes"][0]["products"]]


def _grades(reply: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {s["name"]: s["assays"][0] for s in reply["streams"]}


def test_a_tare_weighed_once_is_wrong_for_all_trays_alike() -> None:
    """Own errors add in squares, the tare's adds up before: JCGM 100:2008, 5.2.2."""
    sheet = two_passes()
    sheet["errors"]["weighing"] = {"sd": 0.4}
    sheet["tares"] = [{"name": "steel", "weighed": {"value": 100.0, "sd": 0.3}, "spread": 0.2}]
    for tray, gross in zip(sheet["passes"][0]["products"], (400.1, 800.4), strict=True):
        tray.pop("net", None)
        tray.update(gross=gross, tare="steel")

    (closure, *_) = reconciled(sheet)["passes"][0]["closure"]

    assert closure["difference"] == pytest.approx(300.1 + 700.4 - 1000.3)
    own = 0.4**2 + 2 * (0.4**2 + 0.2**2)
    assert closure["sd"] == pytest.approx((own + (2 * 0.3) ** 2) ** 0.5)


def test_a_sample_split_off_for_assay_stands_for_the_rest() -> None:
    """The rest has the grade of the sample, both so far from the grade that they share."""
    sheet = minimal()
    sheet["errors"] |= {"assays": {"Sn": {"sd": 0.1}}, "splitting": {"relative_sd": 0.02}}
    sheet["head"] = {"net": 1000.0}
    products = [
        {"name": "sample", "net": 50.0, "assays": {"Sn": 30.0}},
        {"name": "reject", "net": 950.0},
    ]
    sheet["passes"] = [{"kind": "splitting", "fed": "head", "products": products}]

    found = _grades(reconciled(sheet))

    assert 30.0 == pytest.approx(found["reject"]["value"])
    assert (0.1**2 + 2 * 0.6**2) ** 0.5 == pytest.approx(found["reject"]["sd"], rel=1e-4)


def test_the_sampling_error_of_a_part_follows_from_its_grains() -> None:
    """By weight of part and lot, as the formula of Gy in the engine has it."""
    sheet = parted()
    grains = {
        "top_size": {"value": 1, "unit": "mm"},
        "liberation_size": {"value": 1, "unit": "mm"},
        "mineral_fraction": 0.4,
        "mineral_density": {"value": 7.0, "unit": "g/cm3"},
        "gangue_density": {"value": 4.2, "unit": "g/cm3"},
    }
    sheet["errors"]["splitting"] = {"grains": grains}
    sheet["head"]["kept"] = {"net": 500.1}
    material = Material(0.1, 0.1, 0.4, 7.0, 4.2)

    (likeness, _) = reconciled(sheet)["balance_request"]["flowsheet"]["likenesses"]

    for stream, part in zip(likeness["streams"], (1000.2, 999.8, 500.1), strict=True):
        expected = sampling_relative_sd(material, part, 2500.0)
        assert expected == pytest.approx(stream["relative_sd"], rel=1e-12)


def test_dust_has_about_the_grades_of_its_feed() -> None:
    """Within 30 % of them unless the sheet says otherwise, and anything where it says so."""
    sheet = parted()
    like = _grades(reconciled(sheet))["dust"]
    sheet["passes"][0]["products"][2]["loss"]["like_feed"] = None
    free = _grades(reconciled(sheet))["dust"]

    assert 0.15 < like["sd"] / like["value"] < 0.3
    assert free["value"] is None or free["sd"] > like["sd"]


def test_trays_combined_and_weighed_again_are_one_feed() -> None:
    """The weight of all of them together checks those of each."""
    sheet = two_passes()
    mags = [{"name": "mag 3", "net": 300.4}, {"name": "rest 3", "net": 99.0}]
    sheet["passes"].append({"fed": ["mag 1", "mag 2"], "feed": {"net": 399.6}, "products": mags})

    reply = reconciled(sheet)

    told = {role["stream"]: role for role in reply["lots"]}
    assert {"stream": "feed of pass 3", "role": "feed", "lot": None, "pass": "pass 3"} == told[
        "feed of pass 3"
    ]
    assert ["mag 1", "mag 2"] == [fed["lot"] for fed in reply["passes"][2]["fed"]]
    assert 399.6 == reply["passes"][2]["closure"][0]["fed"]
    masses = {s["name"]: s["mass"] for s in reply["streams"]}
    assert masses["feed of pass 3"]["value"] == pytest.approx(
        masses["mag 1"]["value"] + masses["mag 2"]["value"]
    )


def test_several_heads_may_meet_in_one_pass() -> None:
    """Two samples fed together: each is a feed, and what came of them is of both."""
    sheet = minimal()
    del sheet["head"]
    sheet["heads"] = [
        {"name": "bag A", "net": 1200.1, "assays": {"Sn": 33.0}},
        {"name": "bag B", "net": 1300.3, "assays": {"Sn": 29.8}},
    ]
    sheet["passes"][0]["fed"] = ["bag A", "bag B"]

    reply = reconciled(sheet)

    assert ["bag A", "bag B"] == [s["name"] for s in reply["streams"] if s["role"] == "feed"]
    assert {"/heads/0/net", "/heads/1/assays/Sn"} < {r["pointer"] for r in reply["readings"]}
