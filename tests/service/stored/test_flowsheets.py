"""Flowsheets on either database: immutable versions that hold for their time."""

from __future__ import annotations

import copy
import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from service.flowsheets.schemas import EXAMPLE
from tests.service.client import JSON, ask, faults

NEW = {"If-None-Match": "*"}
MAIN = "/v1/sites/tin-shed/flowsheets/main"


@pytest.fixture
def site(app: FastAPI) -> FastAPI:
    """Give the service with one site."""
    content = json.dumps({"name": "Tin shed", "note": "Invented data."})
    ask("PUT", "/v1/sites/tin-shed", app=app, content=content, headers=JSON | NEW)
    return app


def _put(app: FastAPI, body: object, headers: dict[str, str]) -> httpx.Response:
    return ask("PUT", MAIN, app=app, content=json.dumps(body), headers=JSON | headers)


def _from(day: str, **changes: Any) -> dict[str, Any]:
    return copy.deepcopy(EXAMPLE) | {"valid_from": f"2026-{day}T00:00:00Z"} | changes


def _put_all(app: FastAPI, days: list[str]) -> None:
    headers = NEW
    for day in days:
        reply = _put(app, _from(day, note=f"Invented, from {day}."), headers)
        assert reply.status_code in {200, 201}, reply.text
        headers = {"If-Match": reply.headers["ETag"]}


def _number_at(app: FastAPI, time: str) -> int | None:
    reply = ask("GET", f"{MAIN}?at={time}", app=app)
    return reply.json()["version"] if reply.status_code == 200 else None


def test_a_change_makes_a_new_version_and_the_old_one_stays(site: FastAPI) -> None:
    """Both can be read, each as it was sent."""
    _put_all(site, ["01-01", "03-01"])

    first, last = (ask("GET", f"{MAIN}{v}", app=site).json() for v in ("/versions/1", ""))

    assert [1, 2] == [first["version"], last["version"]]
    assert "Invented, from 01-01." == first["note"]
    assert ("2026-01-01T00:00:00Z", "2026-03-01T00:00:00Z") == (
        first["valid_from"],
        first["valid_until"],
    )
    assert EXAMPLE["flowsheet"]["streams"] == last["flowsheet"]["streams"]


def test_the_version_that_holds_at_a_time_is_the_last_begun(site: FastAPI) -> None:
    """A version holds until the next in time, whatever the order in which they were stored."""
    _put_all(site, ["01-01", "05-01", "03-01", "05-01"])

    held = {
        time: _number_at(site, time)
        for time in (
            *("2025-12-31T23:59:59Z", "2026-01-01T00:00:00Z", "2026-02-28T23:59:59.999999Z"),
            *("2026-03-01T00:00:00Z", "2026-05-01T07:59:59%2B08:00", "2026-05-01T00:00:00Z"),
        )
    }

    assert [None, 1, 1, 3, 3, 4] == list(held.values())


def test_the_same_again_makes_no_version(site: FastAPI) -> None:
    """Storing what is stored already changes nothing."""
    first = _put(site, _from("01-01"), NEW)
    again = _put(site, _from("01-01"), {"If-Match": first.headers["ETag"]})

    assert (201, 200) == (first.status_code, again.status_code)
    assert first.json() == again.json()


def test_writers_that_saw_another_version_are_refused(site: FastAPI) -> None:
    """428 without a word on the state, 412 with a stale one; nothing is stored."""
    first = _put(site, _from("01-01"), NEW)
    _put(site, _from("02-01"), {"If-Match": first.headers["ETag"]})

    assert 428 == _put(site, _from("03-01"), {}).status_code
    assert 412 == _put(site, _from("03-01"), NEW).status_code
    assert 412 == _put(site, _from("03-01"), {"If-Match": first.headers["ETag"]}).status_code
    assert 2 == len(ask("GET", f"{MAIN}/versions", app=site).json()["versions"])


def test_the_lists_name_flowsheets_and_versions(site: FastAPI) -> None:
    """One entry for each flowsheet with its last version; every version with its address."""
    _put_all(site, ["01-01", "02-01", "03-01"])

    (entry,) = ask("GET", "/v1/sites/tin-shed/flowsheets", app=site).json()["flowsheets"]
    page = ask("GET", f"{MAIN}/versions?limit=2", app=site).json()
    rest = ask("GET", page["next"], app=site).json()

    assert ("main", 3, MAIN) == (entry["key"], entry["version"], entry["address"])
    assert [1, 2, 3] == [v["version"] for p in (page, rest) for v in p["versions"]]
    assert 3 == ask("GET", rest["versions"][0]["address"], app=site).json()["version"]


def test_a_flowsheet_is_judged_as_in_a_request_for_a_balance(site: FastAPI) -> None:
    """Slips of type and of sense in flowsheet, errors and time come out together."""
    wrong = _from("01-01", valid_from="yesterday", causes=[{"name": "x", "sd": -1}], more=1)
    wrong["flowsheet"]["streams"][0]["to"] = "stage 9"

    assert {
        "/causes/0/sd": "bad-sd",
        "/flowsheet/streams/0/to": "unknown-node",
        "/more": "unknown-field",
        "/valid_from": "bad-time",
    } == {k: v for k, v in faults(_put(site, wrong, NEW)).items() if "nodes" not in k}


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-01",
        "2026-03-01T06:00:00",
        "2026-02-29T00:00:00Z",
        "2026-03-01T24:00:00Z",
        "2026-03-01T00:00:00.1234567Z",
        "0001-01-01T00:00:00+14:00",
        5,
        None,
    ],
)
def test_times_without_offset_and_times_that_are_none_are_refused(
    site: FastAPI, time: object
) -> None:
    """RFC 3339 with an offset, to the microsecond, and a date that exists."""
    assert "bad-time" == faults(_put(site, _from("01-01", valid_from=time), NEW))["/valid_from"]


def test_what_is_not_there_is_not_found(site: FastAPI) -> None:
    """No site, no flowsheet, no version: 404 each, and what is missing is named."""
    _put_all(site, ["01-01"])
    for address in (
        *("/v1/sites/none", "/v1/sites/none/flowsheets", "/v1/sites/tin-shed/flowsheets/none"),
        *(f"{MAIN}/versions/2", f"{MAIN}/versions/x", f"{MAIN}?at=2025-01-01T00:00:00Z"),
        *("/v1/sites/none/flowsheets/main/versions", f"{MAIN}x/versions"),
    ):
        assert 404 == ask("GET", address, app=site).status_code, address
