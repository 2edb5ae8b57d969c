"""Months of the invented plant: everything that is read in them, in order or in none."""

from __future__ import annotations

import random
from typing import Any

from fastapi import FastAPI

from service.kit.instants import now
from service.kit.paging import Paging
from service.kit.settings import Settings
from service.shifts import repository
from service.shifts.calculation import all_brought_up, brought_up
from service.shifts.place import Place
from service.shifts.repository import Filters
from service.shifts.service import balances
from service.store import Store

from .shift_plant import SHIFT, START, assay, post, shift_readings

SETTINGS = Settings()
A_MONTH, A_QUARTER = 93, 273
"""Shifts, three a day."""

CORRECTED, COMPOSITE = 10, 30
"""Every so many shifts an assay is corrected, and a composite covers three shifts."""

BETWEEN = 3
"""Balances calculated between two postings, as the service would at any moment."""


def read_in(shifts: int) -> list[dict[str, Any]]:
    """Give all that is read in so many shifts, in order."""
    lines = [line for number in range(shifts) for line in shift_readings(number)]
    for number in range(0, shifts, CORRECTED):
        first = next(r for r in shift_readings(number) if r.get("sample_point") == "MAG")
        lines.append(first | {"version": 2, "value": round(first["value"] * 1.01, 3)})
    for number in range(3, shifts - 3, COMPOSITE):
        since, until = START + number * SHIFT, START + (number + 3) * SHIFT
        span = {"from": since.isoformat(), "to": until.isoformat()}
        lines.append(assay("FEED", until, 31.0) | {"sample": f"C-{number}", "composite": span})
    return lines


def disordered(lines: list[dict[str, Any]], seed: int) -> list[dict[str, Any]]:
    """Give the same late, a third of it twice, corrections before what they correct."""
    draw = random.Random(seed)  # noqa: S311 - invented data
    doubled = [*lines, *draw.sample(lines, len(lines) // 3)]
    draw.shuffle(doubled)
    return doubled


def post_all(app: FastAPI, lines: list[dict[str, Any]], size: int, seed: int | None = None) -> None:
    """Post lines in batches; with a seed, calculate a few balances after some of them."""
    draw = random.Random(seed)  # noqa: S311 - invented data
    for start in range(0, len(lines), size):
        post(app, lines[start : start + size])
        if seed is not None and draw.random() < 1 / BETWEEN:
            _calculate_some(app.state.store, draw)


def _calculate_some(store: Store, draw: random.Random) -> None:
    with store.reading() as connection:
        due = repository.stale(connection, now(), 1000)
    for _, head in draw.sample(due, min(BETWEEN, len(due))):
        brought_up(store, Place("tin-shed", head.flowsheet, head.day, head.shift), SETTINGS)


def calculate_all(store: Store) -> int:
    """Calculate whatever is due, and say how many balances that were."""
    done = list(all_brought_up(store, "tin-shed", SETTINGS))
    assert [] == [problem for _, problem in done if problem is not None]
    return len(done)


def digests(store: Store) -> dict[str, str]:
    """Give the digest of every balance by its address; none must be stale."""
    found, page = balances(store, "tin-shed", Filters(), Paging(limit=1000))
    assert page.next_after is None
    assert not any(entry["stale"] for entry in found)
    return {entry["address"]: entry["digest"] for entry in found}
