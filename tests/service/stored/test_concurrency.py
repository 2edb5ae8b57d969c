"""Fifty clients at once, on either database: exactly one copy of each reading."""

from __future__ import annotations

import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
import sqlalchemy as sa

from service.store import Store
from service.store.engine import database_url
from service.store.tables import reading_versions, readings

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
