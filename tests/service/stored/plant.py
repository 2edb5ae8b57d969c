"""An invented plant for tests: one site with a flowsheet, a tag mapping and a shift calendar."""

from __future__ import annotations

import copy
import json
from typing import Any

import httpx
from fastapi import FastAPI

from service.app import create_app
from service.balances.schemas import MINIMAL_EXAMPLE
from service.calendars.schemas import EXAMPLE as CALENDAR
from service.kit.settings import Settings
from tests.service.client import JSON, ask

NEW = {"If-None-Match": "*"}
SITE = "/v1/sites/tin-shed"
SINCE = "2026-01-01T06:00:00+08:00"

FLOWSHEET: dict[str, Any] = {
    "valid_from": SINCE,
    "note": "Invented data.",
    "flowsheet": {**MINIMAL_EXAMPLE["flowsheet"], "mass_unit": "t"},  # type: ignore[dict-item]
}
MAPPING: dict[str, Any] = {
    "valid_from": SINCE,
    "note": "Invented data.",
    "flowsheet": "main",
    "entries": [
        {
            "tag": "WIT-101",
            "reading": {"stream": "feed", "of": "mass", "unit": "t", "relative_sd": 0.01},
            "valid_range": {"low": 0, "high": 900},
            "stamped": "end",
        },
        {
            "sample_point": "FEED-A",
            "analyte": "Sn",
            "reading": {"stream": "feed", "of": "Sn", "relative_sd": 0.02},
            "valid_range": {"low": 0, "high": 79},
            "lag_minutes": 20,
        },
        {
            "sample_point": "MAG-1",
            "analyte": "Sn",
            "reading": {"stream": "mag 1", "of": "Sn", "unit": "ppm", "relative_sd": 0.03},
        },
    ],
}


def put(app: FastAPI, path: str, body: object, headers: dict[str, str] = NEW) -> httpx.Response:
    """Put one of the site's documents."""
    content = json.dumps(body)
    return ask("PUT", f"{SITE}{path}", app=app, content=content, headers=JSON | headers)


def changed(document: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Give a copy of a document with other members."""
    return copy.deepcopy(document) | changes


def build(app: FastAPI) -> None:
    """Make the site with all that belongs to it."""
    for path, body in (
        ("", {"name": "Tin shed", "note": "Invented data."}),
        ("/flowsheets/main", FLOWSHEET),
        ("/calendar", changed(CALENDAR, valid_from=SINCE)),
        ("/mapping", MAPPING),
    ):
        made = put(app, path, body)
        assert made.status_code == 201, made.text


def fill(url: str) -> None:
    """Make the plant in a database; for a template that others are copied from."""
    app = create_app(Settings(database_url=url))
    build(app)
    app.state.store.close()
