"""
An invented plant whose every stream is weighed and assayed, shift by shift, with seeded errors.

True values are drawn first and balance exactly; readings are those with errors of the stated size.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import httpx
from fastapi import FastAPI

from service.calendars.schemas import EXAMPLE as CALENDAR
from tests.service.client import JSON, ask
from tests.service.stored.plant import FLOWSHEET, SINCE, SITE, changed, put

START = datetime.fromisoformat("2026-03-01T06:00:00+08:00")
SHIFT = timedelta(hours=8)
BALANCE = f"{SITE}/shifts/2026-03-01/morning/balances/main"
"""Address of the balance of the first shift."""

STREAMS = {"feed": ("WIT-1", "FEED"), "mag 1": ("WIT-2", "MAG"), "nonmag": ("WIT-3", "NONMAG")}
MASS_ERROR, ASSAY_ERROR = 0.01, 0.02
SHIFTS = [
    {"name": "morning", "starts": "06:00"},
    {"name": "afternoon", "starts": "14:00"},
    {"name": "night", "starts": "22:00"},
]


def mapping() -> dict[str, Any]:
    """Give the mapping of the plant's tags and sample points."""
    masses = [
        {
            "tag": tag,
            "reading": {"stream": stream, "of": "mass", "unit": "t", "relative_sd": MASS_ERROR},
            "valid_range": {"low": 0, "high": 5000},
            "stamped": "end",
        }
        for stream, (tag, _) in STREAMS.items()
    ]
    assays = [
        {
            "sample_point": point,
            "analyte": "Sn",
            "reading": {"stream": stream, "of": "Sn", "relative_sd": ASSAY_ERROR},
            "stamped": "end",
        }
        for stream, (_, point) in STREAMS.items()
    ]
    return {
        "valid_from": SINCE,
        "note": "Invented data.",
        "flowsheet": "main",
        "entries": [*masses, *assays],
    }


def build(app: FastAPI) -> None:
    """Make the site with all that belongs to it."""
    for path, body in (
        ("", {"name": "Tin shed", "note": "Invented data."}),
        ("/flowsheets/main", FLOWSHEET),
        ("/calendar", changed(CALENDAR, valid_from=SINCE, shifts=SHIFTS)),
        ("/mapping", mapping()),
    ):
        made = put(app, path, body)
        assert made.status_code == 201, made.text


def shift_readings(number: int, seed: int = 1) -> list[dict[str, Any]]:
    """Give the six readings of a shift, counted from 0; the same for the same seed."""
    draw = random.Random(f"{seed}/{number}")  # noqa: S311 - invented data
    feed, share = draw.uniform(700, 900), draw.uniform(0.32, 0.4)
    grade, recovery = draw.uniform(28, 34), draw.uniform(0.03, 0.05)
    mag, nonmag = feed * share, feed * (1 - share)
    masses = {"feed": feed, "mag 1": mag, "nonmag": nonmag}
    assays = {
        "feed": grade,
        "mag 1": grade * recovery / share,
        "nonmag": grade * (1 - recovery) / (1 - share),
    }
    end = START + (number + 1) * SHIFT
    return [
        reading
        for stream, (tag, point) in STREAMS.items()
        for reading in (
            mass(tag, end, masses[stream] * draw.gauss(1, MASS_ERROR)),
            assay(point, end, assays[stream] * draw.gauss(1, ASSAY_ERROR)),
        )
    ]


def mass(tag: str, time: datetime, value: float, version: int = 1) -> dict[str, Any]:
    """Give a line of the plant data system."""
    named = {"source": "plant data system", "tag": tag, "time": time.isoformat()}
    return {**named, "version": version, "value": round(value, 2)}


def assay(point: str, time: datetime, value: float, version: int = 1) -> dict[str, Any]:
    """Give a line of the laboratory."""
    named = {"source": "laboratory", "sample_point": point, "analyte": "Sn"}
    return {**named, "time": time.isoformat(), "version": version, "value": round(value, 3)}


def post(app: FastAPI, lines: list[dict[str, Any]]) -> httpx.Response:
    """Post readings; all of them must be taken."""
    body = json.dumps({"readings": lines})
    done = ask("POST", f"{SITE}/readings", app=app, content=body, headers=JSON)
    assert done.status_code == 200, done.text
    assert done.json()["rejected"] == 0, done.text
    return done


def send(
    app: FastAPI, address: str, body: object, headers: dict[str, str] | None = None
) -> httpx.Response:
    """Post a document."""
    return ask("POST", address, app=app, content=json.dumps(body), headers=JSON | (headers or {}))


def calculate(app: FastAPI, address: str = BALANCE) -> httpx.Response:
    """Have a balance calculated."""
    done = ask("POST", address, app=app)
    assert done.status_code == 200, done.text
    return done


def signature(balance: httpx.Response, **changes: Any) -> dict[str, Any]:
    """Give what signs the revision of a reply."""
    told = balance.json()
    return {
        "revision": told["revision"],
        "digest": told["digest"],
        "person": "A. Metallurgist",
        "meaning": "approved for the monthly balance",
        "reason": "all assays final",
        **changes,
    }


def sign(app: FastAPI, balance: httpx.Response, **changes: Any) -> httpx.Response:
    """Sign the balance of a reply."""
    headers = {"If-Match": balance.headers["etag"]}
    return send(app, f"{BALANCE}/signatures", signature(balance, **changes), headers)


def reading_id(app: FastAPI, of: str) -> str:
    """Give the id of the first reading of a tag or sample point."""
    name = "tag" if of.startswith("WIT") else "sample_point"
    listed = ask("GET", f"{SITE}/readings?{name}={of}", app=app).json()["readings"]
    found: str = listed[0]["id"]
    return found


def decide(app: FastAPI, of: str, decision: str, **others: Any) -> httpx.Response:
    """Decide about the first reading of a tag or sample point."""
    body = {
        "decision": decision,
        "version": 1,
        "person": "A. Metallurgist",
        "reason": "sample bag found open",
        **others,
    }
    return send(app, f"{SITE}/readings/{reading_id(app, of)}/decisions", body)


def addresses(shifts: int) -> Iterator[str]:
    """Give the addresses of the balances of the first so many shifts."""
    for number in range(shifts):
        day = (START + (number // len(SHIFTS)) * timedelta(days=1)).date()
        name = SHIFTS[number % len(SHIFTS)]["name"]
        yield f"{SITE}/shifts/{day.isoformat()}/{name}/balances/main"
