"""Which readings are of a shift: lags, stamps at the end, composites, and how they stand."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from fastapi import FastAPI

from service.calendars.service import calendar_of
from service.readings.by_shift import OfShift, of_shift
from service.sites import repository as sites
from tests.service.client import JSON, ask

from .plant import MAPPING, SITE, changed, put


def _post(app: FastAPI, *lines: dict[str, Any]) -> None:
    content = json.dumps({"readings": [{"source": "s"} | line for line in lines]})
    reply = ask("POST", f"{SITE}/readings", app=app, content=content, headers=JSON)
    assert 0 == reply.json()["rejected"], reply.text


def _of_shift(app: FastAPI, day: date, name: str) -> list[OfShift]:
    with app.state.store.reading() as connection:
        site = sites.get(connection, "tin-shed")
        calendar = calendar_of(connection, site.id)
        shift = calendar.shift(day, name)
        assert shift is not None
        return of_shift(connection, site.id, calendar, shift)


def _weight(time: str, value: float = 1) -> dict[str, Any]:
    return {"tag": "WIT-101", "time": f"2026-03-{time}:00+08:00", "value": value}


def _assay(time: str, value: float | None = 1, **more: Any) -> dict[str, Any]:
    line = {"sample_point": "FEED-A", "analyte": "Sn", "value": value}
    return line | {"time": f"2026-03-{time}:00+08:00"} | more


@pytest.mark.parametrize(
    ("line", "shift"),
    [
        # A total stamped at the end of its interval is of the shift that ends then.
        (_weight("02T18:00"), "day"),
        (_weight("02T06:00"), None),
        (_weight("02T06:01"), "day"),
        (_weight("02T18:01"), "night"),
        (_weight("03T06:00"), "night"),
        # A sample met twenty minutes later than in the stream is of the shift of the stream.
        (_assay("02T06:00"), None),
        (_assay("02T06:19"), None),
        (_assay("02T06:20"), "day"),
        (_assay("02T18:19"), "day"),
        (_assay("02T18:20"), "night"),
        (_assay("03T06:19"), "night"),
    ],
)
def test_a_reading_is_of_the_shift_of_what_it_measured(
    plant_app: FastAPI, line: dict[str, Any], shift: str | None
) -> None:
    """Its time less the lag, at the start or at the end of an interval."""
    _post(plant_app, line)

    found = {name: len(_of_shift(plant_app, date(2026, 3, 2), name)) for name in ("day", "night")}

    assert {name: int(name == shift) for name in ("day", "night")} == found


def test_a_composite_is_of_every_shift_that_it_covers(plant_app: FastAPI) -> None:
    """A sample of two days, less its lag, is of their four shifts, and names them all."""
    span = {"from": "2026-03-02T06:20:00+08:00", "to": "2026-03-04T06:20:00+08:00"}
    _post(plant_app, _assay("04T08:00", composite=span))

    covered = [
        found.shifts
        for day in (1, 2, 3, 4)
        for name in ("day", "night")
        for found in _of_shift(plant_app, date(2026, 3, day), name)
    ]

    keys = ["2026-03-02/day", "2026-03-02/night", "2026-03-03/day", "2026-03-03/night"]
    assert [keys] * 4 == [[shift.key for shift in shifts] for shifts in covered]


def test_every_mapped_reading_comes_with_how_it_stands_and_what_it_is_of(
    plant_app: FastAPI,
) -> None:
    """Out of range and withdrawn ones too; parked ones are of nothing yet."""
    unmapped = _weight("02T12:00") | {"tag": "N"}
    _post(
        plant_app, _weight("02T09:00"), _weight("02T10:00", 901), _assay("02T12:00", None), unmapped
    )

    found = _of_shift(plant_app, date(2026, 3, 2), "day")

    assert ["current", "out-of-range", "withdrawn"] == [f.reading.standing for f in found]
    assert [("feed", "t"), ("feed", "t"), ("feed", "%")] == [
        (f.entry.reading.stream[0], f.unit) for f in found if f.entry.reading.stream
    ]


def test_the_mapping_of_its_time_says_what_a_reading_is_of(plant_app: FastAPI) -> None:
    """A tag moved to another stream keeps its old readings where they were."""
    _post(plant_app, _weight("02T12:00"), _weight("04T12:00"))
    moved = changed(MAPPING, valid_from="2026-03-03T06:00:00+08:00")
    moved["entries"][0]["reading"]["stream"] = "nonmag"
    tag = ask("GET", f"{SITE}/mapping", app=plant_app).headers["ETag"]
    put(plant_app, "/mapping", moved, {"If-Match": tag})

    streams = [
        found.entry.reading.stream
        for day in (2, 4)
        for found in _of_shift(plant_app, date(2026, 3, day), "day")
    ]

    assert [["feed"], ["nonmag"]] == streams
