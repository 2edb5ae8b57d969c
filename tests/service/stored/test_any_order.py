"""A quarter of a plant, posted late, doubled, in pieces and shuffled: the same readings."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from fastapi import FastAPI

from tests.service.client import JSON, ask

from .plant import SITE

DAYS = 90
_START = datetime(2026, 1, 1, 10, tzinfo=UTC)


def _quarter() -> list[dict[str, Any]]:
    """Give two totals and one assay a day in the order in which a plant would send them."""
    chance = Random(7)  # noqa: S311 - a plant that can be made again
    lines = []
    for n in range(DAYS):
        time = (_START + timedelta(days=n)).isoformat()
        for hours in (0, 12):
            stamp = (_START + timedelta(days=n, hours=hours)).isoformat()
            weight = {"source": "p", "tag": "WIT-101", "time": stamp}
            lines.append(weight | {"value": chance.uniform(700, 950)})
        assay = {"source": "l", "sample_point": "FEED-A", "analyte": "Sn", "time": time}
        lines += [
            assay | {"version": version, "value": chance.uniform(20, 40)}
            for version in range(1, chance.randint(1, 3) + 1)
        ]
    return lines


def _post(app: FastAPI, lines: list[dict[str, Any]]) -> None:
    content = json.dumps({"readings": lines})
    reply = ask("POST", f"{SITE}/readings", app=app, content=content, headers=JSON)
    assert 0 == reply.json()["rejected"], reply.text


def _all(app: FastAPI) -> list[dict[str, Any]]:
    found, address = [], f"{SITE}/readings?limit=1000"
    while address:
        page = ask("GET", address, app=app).json()
        found += page["readings"]
        address = page["next"]
    return [{k: v for k, v in r.items() if k not in {"id", "received_at"}} for r in found]


def _in_order(lines: list[dict[str, Any]]) -> list[tuple[str, float]]:
    """Give what must be left: of each reading its highest version, by time."""
    highest: dict[tuple[str, str], dict[str, Any]] = {}
    for line in lines:
        key = (line["time"], line["source"])
        if line.get("version", 1) >= highest.get(key, {}).get("version", 0):
            highest[key] = line
    return sorted((time, line["value"]) for (time, _), line in highest.items())


def test_late_doubled_and_shuffled_is_the_same_as_in_order(plant_app: FastAPI) -> None:
    """Batches of random sizes, a third of the lines twice, corrections before what they correct."""
    quarter = _quarter()
    chance = Random(8)  # noqa: S311 - as above
    sent = [*quarter, *chance.sample(quarter, len(quarter) // 3)]
    chance.shuffle(sent)
    while sent:
        size = chance.randint(1, 60)
        _post(plant_app, sent[:size])
        sent = sent[size:]

    found = _all(plant_app)

    told = [(r["time"].replace("Z", "+00:00"), r["value"]) for r in found]
    assert _in_order(quarter) == sorted(told)
    assert 3 * DAYS == len(found)
    _post(plant_app, quarter)
    assert found == _all(plant_app)
