"""
A server killed again and again while clients post to it, and what is left in its database.

Each client posts batch after batch.  Where the answer does not come it sends the same batch again,
under the same key, under a new one or without any, until it is acknowledged; the batches at hand
when the load ends may stay unacknowledged.
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from uuid import uuid4

import httpx
import sqlalchemy as sa

from service.store import Store
from service.store.engine import database_url
from service.store.tables import reading_versions, readings

from .plant import SITE
from .server import KillableServer

LINES = 20
"""Readings of a batch."""

CLIENTS = 6
_LEAST_LIFE_S, _LONGEST_LIFE_S = 0.1, 1.0
_START = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass
class Load:
    """What the clients have sent: how many attempts, and which batches were acknowledged."""

    sent: set[str] = field(default_factory=set)
    acknowledged: set[str] = field(default_factory=set)
    attempts: int = 0
    cut_off: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, batch: str, *, is_acknowledged: bool) -> None:
        """Take note of an attempt."""
        with self._lock:
            self.attempts += 1
            self.cut_off += not is_acknowledged
            self.sent.add(batch)
            if is_acknowledged:
                self.acknowledged.add(batch)


@dataclass(frozen=True)
class Verdict:
    """What was found after the last kill; all but the counts must be empty."""

    kills: int
    attempts: int
    cut_off: int
    acknowledged: int
    lost: set[str]
    half_written: dict[str, int]
    doubled: int

    @property
    def is_clean(self) -> bool:
        """Whether every acknowledged reading is there once and nothing is there by halves."""
        return not (self.lost or self.half_written or self.doubled)


def _lines(batch: str) -> list[dict[str, object]]:
    return [
        {
            "source": "plant data system",
            "tag": batch,
            "time": (_START + timedelta(minutes=n)).isoformat(),
            "value": n,
        }
        for n in range(LINES)
    ]


def _client(server: KillableServer, load: Load, ending: threading.Event, seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - for a test that can be run again
    number = 0
    while not ending.is_set():
        batch, key = f"client {seed} batch {number}", str(uuid4())
        number += 1
        while not _post(server.address, batch, key, load) and not ending.is_set():
            key = chance.choice([key, key, str(uuid4()), ""])
            time.sleep(0.01)


def _post(address: str, batch: str, key: str, load: Load) -> bool:
    headers = {"Idempotency-Key": key} if key else {}
    try:
        reply = httpx.post(
            f"{address}{SITE}/readings",
            json={"readings": _lines(batch)},
            headers=headers,
            timeout=20,
        )
    except httpx.TransportError:
        load.note(batch, is_acknowledged=False)
        return False
    if reply.status_code in {409, 503}:  # still at work, or waiting for the database
        load.note(batch, is_acknowledged=False)
        return False
    told = reply.json()
    assert 200 == reply.status_code, told
    assert LINES == told["parked"] + told["repeated"], told
    load.note(batch, is_acknowledged=True)
    return True


def killed(url: str, kills: int, seed: int) -> Verdict:
    """Kill a server so many times under load, and look at what is in its database then."""
    chance = Random(seed)  # noqa: S311 - as above
    load, ending = Load(), threading.Event()
    with KillableServer(url) as server, ThreadPoolExecutor(CLIENTS) as pool:
        clients = [pool.submit(_client, server, load, ending, i) for i in range(CLIENTS)]
        for _ in range(kills):
            time.sleep(chance.uniform(_LEAST_LIFE_S, _LONGEST_LIFE_S))
            server.kill()
            server.start()
        ending.set()
        for client in clients:
            client.result()
    return _verdict(url, kills, load)


def _verdict(url: str, kills: int, load: Load) -> Verdict:
    store = Store(database_url(url))
    with store.reading() as connection:
        identity = (readings.c.tag, readings.c.time)
        rows = connection.execute(
            sa.select(*identity, sa.func.count())
            .join(reading_versions, reading_versions.c.reading_id == readings.c.id)
            .group_by(*identity)
        ).all()
    store.close()
    counts: dict[str, int] = {}
    for row in rows:
        counts[row[0]] = counts.get(row[0], 0) + 1
    return Verdict(
        kills=kills,
        attempts=load.attempts,
        cut_off=load.cut_off,
        acknowledged=len(load.acknowledged),
        lost=load.acknowledged - set(counts),
        half_written={b: n for b, n in counts.items() if n != LINES or b not in load.sent},
        doubled=sum(row[2] != 1 for row in rows),
    )
