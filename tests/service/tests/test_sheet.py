"""A sheet becomes the balance that one would draw by hand, with places on the sheet."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.balances.reply import as_json
from service.balances.service import balance
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
