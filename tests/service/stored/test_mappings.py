"""Tag mappings on either database: judged by the flowsheet that holds, kept in versions."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi import FastAPI

from tests.service.client import ask, faults
from tests.service.stored import plant
from tests.service.stored.plant import MAPPING, changed, put


def _again(app: FastAPI, body: object) -> Any:
    tag = ask("GET", f"{plant.SITE}/mapping", app=app).headers["ETag"]
    return put(app, "/mapping", body, {"If-Match": tag})


def _entry(**changes: Any) -> dict[str, Any]:
    return {"tag": "X", "reading": {"stream": "feed", "of": "mass", "sd": 1}} | changes


def test_a_mapping_can_be_read_back_as_it_was_sent(plant_app: FastAPI) -> None:
    """Entries come back member by member."""
    found = ask("GET", f"{plant.SITE}/mapping", app=plant_app).json()

    assert MAPPING["entries"][0]["valid_range"] == found["entries"][0]["valid_range"]
    assert {"quantity": "mass"} == found["entries"][0]["reading"]["of"]
    assert [e.get("tag") for e in MAPPING["entries"]] == [e.get("tag") for e in found["entries"]]


def test_a_change_makes_a_new_version(plant_app: FastAPI) -> None:
    """The old one can still be read."""
    reply = _again(plant_app, changed(MAPPING, entries=MAPPING["entries"][:1]))

    assert (200, 2) == (reply.status_code, reply.json()["version"])
    assert 3 == len(ask("GET", f"{plant.SITE}/mapping/versions/1", app=plant_app).json()["entries"])


def test_every_fault_of_a_mapping_is_told_at_once(plant_app: FastAPI) -> None:
    """Slips of type beside slips of sense, each at its entry."""
    entries = [
        _entry(lag_minutes=-1),
        _entry(reading={"stream": "nowhere", "of": "mass", "sd": 1}),
        _entry(tag="Y", reading={"stream": "feed", "of": "Pb", "sd": 1}),
        _entry(tag="Z", reading={"stream": "feed", "of": "Sn"}),
        _entry(tag="V", reading={"stream": "feed", "of": "Sn", "sd": 1, "value": 3}),
        _entry(tag="U", reading={"stream": "feed", "of": "Sn", "sd": 1, "unit": "t"}),
        _entry(tag="X"),
        _entry(tag="T", analyte="Sn"),
        _entry(tag="S", valid_range={"low": 2, "high": 1}),
        _entry(tag="R", combine="integral"),
        _entry(tag="Q", flowsheet="other"),
    ]

    assert {
        "/entries/0/lag_minutes": "number-out-of-range",
        "/entries/1/reading/stream": "unknown-stream",
        "/entries/2/reading/of": "unknown-component",
        "/entries/3/reading": "reading-without-sd",
        "/entries/4/reading/value": "not-of-a-mapping",
        "/entries/5/reading/unit": "unit-does-not-fit",
        "/entries/6": "duplicate-tag",
        "/entries/7": "unclear-tag",
        "/entries/8/valid_range": "empty-range",
        "/entries/9/combine": "integral-of-no-rate",
        "/entries/10/flowsheet": "unknown-flowsheet",
        "/more": "unknown-field",
    } == faults(_again(plant_app, changed(MAPPING, entries=entries, more=1)))


def test_the_flowsheet_that_holds_at_the_beginning_judges(plant_app: FastAPI) -> None:
    """Before any flowsheet holds there is nothing to map to."""
    early = changed(MAPPING, valid_from="2025-01-01T00:00:00Z")

    assert {"/flowsheet": "unknown-flowsheet"} == faults(_again(plant_app, early))


def test_two_instruments_may_read_one_thing_and_a_rate_may_be_summed(plant_app: FastAPI) -> None:
    """A second weigher on the feed, and a belt weigher in t/h whose integral is the mass."""
    rate = {"stream": "feed", "of": "mass", "unit": "t/h", "relative_sd": 0.01}
    entries = [_entry(), _entry(tag="Y"), _entry(tag="Z", reading=rate, combine="integral")]

    assert 200 == _again(plant_app, changed(MAPPING, entries=entries)).status_code


@pytest.mark.parametrize("body", [{}, [], {"entries": 3}, {"entries": [3, None]}])
def test_what_is_no_mapping_is_refused(plant_app: FastAPI, body: object) -> None:
    """Anything else is a problem with its places, never a failure."""
    reply = _again(plant_app, body)

    assert 422 == reply.status_code
    assert reply.json()["faults"]
