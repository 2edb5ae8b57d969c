"""Fifty clients at once, on either database: exactly one copy of each reading."""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from service.flowsheets.service import KIND as FLOWSHEET
from service.flowsheets.service import put as put_flowsheet
from service.kit.conditional import Precondition
from service.kit.problems import RefusalError
from service.kit.settings import Settings
from service.sites.service import get as get_site
from service.sites.service import put as put_site
from service.store import Store
from service.store.engine import database_url
from service.store.tables import reading_versions, readings
from service.versions.service import Place, etag_of
from service.versions.service import get as get_version

from . import plant
from .plant import SITE
from .server import KillableServer

CLIENTS = 50
LINES = 20


def _batch(start: int) -> list[dict[str, object]]:
    return [
        {
            "source": "plant data system",
            "tag": "WIT-101",
            "time": f"2026-03-01T{n // 60:02}:{n % 60:02}:00Z",
            "value": n / 4,
        }
        for n in range(start, start + LINES)
    ]


def _ask(address: str, start: int, key: str | None) -> Counter[str]:
    """Post a batch until it is answered, and give the outcomes of its lines."""
    headers = {} if key is None else {"Idempotency-Key": key}
    while True:
        reply = httpx.post(
            f"{address}{SITE}/readings",
            json={"readings": _batch(start)},
            headers=headers,
            timeout=60,
        )
        if reply.status_code != 409:
            assert 200 == reply.status_code, reply.text
            return Counter(line["outcome"] for line in reply.json()["lines"])
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("starts", "keys"),
    [
        ([0] * CLIENTS, ["one"] * CLIENTS),
        ([0] * CLIENTS, [None] * CLIENTS),
        ([LINES * i // 2 for i in range(CLIENTS)], [f"k{i}" for i in range(CLIENTS)]),
    ],
    ids=["same batch and key", "same batch", "overlapping batches"],
)
def test_fifty_clients_leave_one_copy_of_each_reading(
    plant_url: str, starts: list[int], keys: list[str | None]
) -> None:
    """Whoever comes first stores a reading; to all others it is a repeat, or the same answer."""
    barrier = threading.Barrier(CLIENTS)

    def client(i: int) -> Counter[str]:
        barrier.wait()
        return _ask(server.address, starts[i], keys[i])

    with KillableServer(plant_url) as server, ThreadPoolExecutor(CLIENTS) as pool:
        told = list(pool.map(client, range(CLIENTS)))

    store = Store(database_url(plant_url))
    with store.reading() as connection:
        times = list(connection.scalars(sa.select(readings.c.time)))
        versions = connection.scalar(sa.select(sa.func.count()).select_from(reading_versions))
    store.close()
    expected = {n for start in starts for n in range(start, start + LINES)}
    assert len(expected) == len(times) == len(set(times)) == versions
    if keys[0] == "one":
        assert [Counter(accepted=LINES)] * CLIENTS == told
    else:
        assert len(expected) == sum(outcomes["accepted"] for outcomes in told)


WRITERS = 8


def _statuses(write: Callable[[int], Any]) -> Counter[int]:
    """Let several writers loose at the same moment, and give how each was answered."""
    barrier = threading.Barrier(WRITERS)

    def one(i: int) -> int:
        barrier.wait()
        try:
            write(i)
        except RefusalError as refusal:
            return refusal.kind.status
        return 200

    with ThreadPoolExecutor(WRITERS) as pool:
        return Counter(pool.map(one, range(WRITERS)))


def test_of_writers_that_saw_the_same_state_one_is_let_through(store: Store) -> None:
    """One makes the site, one changes it; all others are told that it is not as they expect."""
    body = b'{"name": "Tin shed"}'
    new, first = Precondition(None, ("*",)), Precondition(('"1"',), None)

    made = _statuses(lambda _: put_site(store, "tin-shed", new, body))
    changed = _statuses(lambda i: put_site(store, "tin-shed", first, b'{"name": "%d"}' % i))

    assert {200: 1, 412: WRITERS - 1} == made == changed
    assert 2 == get_site(store, "tin-shed").revision


def test_of_writers_of_a_new_version_one_is_let_through(plant_url: str) -> None:
    """Versions are numbered without gap or double, whoever comes at once."""
    store = Store(database_url(plant_url))
    place = Place("tin-shed", FLOWSHEET, "main")
    present = Precondition((etag_of(get_version(store, place)),), None)
    bodies = [
        json.dumps(plant.changed(plant.FLOWSHEET, note=f"Invented, by {i}.")).encode()
        for i in range(WRITERS)
    ]

    told = _statuses(lambda i: put_flowsheet(store, place, present, bodies[i], Settings()))

    assert {200: 1, 412: WRITERS - 1} == told
    assert 2 == get_version(store, place).version
    store.close()
