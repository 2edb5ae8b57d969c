"""Shift calendars on either database."""

from __future__ import annotations

import copy
import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from service.calendars.schemas import EXAMPLE
from tests.service.client import JSON, ask, faults

NEW = {"If-None-Match": "*"}
CALENDAR = "/v1/sites/tin-shed/calendar"


@pytest.fixture
def site(app: FastAPI) -> FastAPI:
    """Give the service with one site."""
    content = json.dumps({"name": "Tin shed", "note": "Invented data."})
    ask("PUT", "/v1/sites/tin-shed", app=app, content=content, headers=JSON | NEW)
    return app


def _put(app: FastAPI, body: object, headers: dict[str, str] = NEW) -> httpx.Response:
    return ask("PUT", CALENDAR, app=app, content=json.dumps(body), headers=JSON | headers)


def _with(**changes: Any) -> dict[str, Any]:
    return copy.deepcopy(EXAMPLE) | changes


def test_shifts_are_listed_with_their_times(site: FastAPI) -> None:
    """From the calendar's local clock to UTC, whole shifts that meet the time asked for."""
    _put(site, EXAMPLE)

    address = f"{CALENDAR}/shifts?from=2026-03-01T09:00:00Z&to=2026-03-01T23:00:00Z"
    found = ask("GET", address, app=site).json()["shifts"]

    assert [
        ("2026-03-01/day", "2026-02-28T22:00:00Z", "2026-03-01T10:00:00Z", 12),
        ("2026-03-01/night", "2026-03-01T10:00:00Z", "2026-03-01T22:00:00Z", 12),
        ("2026-03-02/day", "2026-03-01T22:00:00Z", "2026-03-02T10:00:00Z", 12),
    ] == [(s["key"], s["start"], s["end"], s["hours"]) for s in found]


def test_a_new_calendar_holds_from_its_day_on(site: FastAPI) -> None:
    """The old one keeps the days before it."""
    tag = _put(site, EXAMPLE).headers["ETag"]
    three = [{"name": n, "starts": s} for n, s in (("a", "06:00"), ("b", "14:00"), ("c", "22:00"))]
    later = _with(valid_from="2026-03-03T06:00:00+08:00", shifts=three)
    assert 200 == _put(site, later, {"If-Match": tag}).status_code

    address = f"{CALENDAR}/shifts?from=2026-03-02T12:00:00Z&to=2026-03-03T08:00:00Z"
    found = ask("GET", address, app=site).json()["shifts"]

    assert ["2026-03-02/night", "2026-03-03/a", "2026-03-03/b"] == [s["key"] for s in found]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"time_zone": "Mars/Olympus"}, {"/time_zone": "unknown-time-zone"}),
        ({"time_zone": "../etc/passwd"}, {"/time_zone": "unknown-time-zone"}),
        ({"shifts": []}, {"/shifts": "too-few-entries"}),
        ({"shifts": [{"name": "a", "starts": "24:00"}]}, {"/shifts/0/starts": "bad-clock-time"}),
        ({"shifts": [{"name": "A b", "starts": "06:00"}]}, {"/shifts/0/name": "bad-key"}),
        (
            {"shifts": [{"name": n, "starts": s} for n, s in (("a", "06:00"), ("a", "06:00"))]},
            {"/shifts/1/name": "duplicate-shift", "/shifts/1/starts": "duplicate-start"},
        ),
        (
            {
                "shifts": [
                    {"name": n, "starts": s}
                    for n, s in (("a", "06:00"), ("b", "22:00"), ("c", "14:00"))
                ]
            },
            {"/shifts/2/starts": "shifts-out-of-order"},
        ),
        ({"valid_from": "2026-03-01T07:00:00+08:00"}, {"/valid_from": "not-a-day-start"}),
    ],
)
def test_a_calendar_that_makes_no_sense_is_told_why(
    site: FastAPI, changes: dict[str, Any], told: dict[str, str]
) -> None:
    """Zones, times, names and order are judged, each in its place."""
    assert told == faults(_put(site, _with(**changes)))


def test_a_production_day_is_of_one_calendar(site: FastAPI) -> None:
    """A day from midnight cannot follow one from 06:00 in the middle of the old one's date."""
    night = [{"name": "night", "starts": "00:00"}, {"name": "day", "starts": "12:00"}]
    tag = _put(site, _with(valid_from="2026-03-01T00:00:00+08:00", shifts=night)).headers["ETag"]

    later = _with(valid_from="2026-03-05T06:00:00+08:00")
    assert {"/valid_from": "day-of-two-calendars"} == faults(_put(site, later, {"If-Match": tag}))


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ("", ["missing-parameter", "missing-parameter"]),
        ("from=yesterday", ["bad-from", "missing-parameter"]),
        ("from=2026-03-01T00:00:00Z&to=2036-03-01T00:00:00Z", ["too-many-shifts"]),
    ],
)
def test_a_time_that_cannot_be_listed_is_refused(
    site: FastAPI, query: str, codes: list[str]
) -> None:
    """Both ends are needed, and not more than a thousand shifts between them."""
    _put(site, EXAMPLE)

    reply = ask("GET", f"{CALENDAR}/shifts?{query}", app=site)

    assert 400 == reply.status_code
    assert codes == [fault["code"] for fault in reply.json()["faults"]]


def test_without_a_calendar_there_are_no_shifts(site: FastAPI) -> None:
    """404, and before the first calendar an empty list."""
    address = f"{CALENDAR}/shifts?from=2020-03-01T00:00:00Z&to=2020-04-01T00:00:00Z"
    assert 404 == ask("GET", address, app=site).status_code

    _put(site, EXAMPLE)

    assert [] == ask("GET", address, app=site).json()["shifts"]
