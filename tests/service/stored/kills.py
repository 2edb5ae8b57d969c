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
_AT_WORK_S = 20.0
_LONGEST_LIFE_S = 0.3
"""Longest life of a server after its first acknowledgement; a batch takes some 20 ms."""

_START = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass
class Load:
    """What the clients have sent, how it ended, and which batches were acknowledged."""

    sent: set[str] = field(default_factory=set)
    acknowledged: set[str] = field(default_factory=set)
    postings: int = 0
    cut_off: int = 0
    told_to_wait: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, batch: str, outcome: str) -> None:
        """Take note of a posting that reached the server."""
        with self._lock:
            self.postings += 1
            self.cut_off += outcome == "cut off"
            self.told_to_wait += outcome == "told to wait"
            self.sent.add(batch)
            if outcome == "acknowledged":
                self.acknowledged.add(batch)


@dataclass(frozen=True)
class Verdict:
    """What was found after the last kill; all but the counts must be empty."""

    kills: int
    postings: int
    cut_off: int
    told_to_wait: int
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
    with httpx.Client(timeout=20) as client:
        while not ending.is_set():
            batch, key = f"client {seed} batch {number}", str(uuid4())
            number += 1
            while not _post(client, server.address, batch, key, load) and not ending.is_set():
                key = chance.choice([key, key, str(uuid4()), ""])
                time.sleep(0.01)


def _post(client: httpx.Client, address: str, batch: str, key: str, load: Load) -> bool:
    """Post a batch, and tell whether it was acknowledged."""
    headers = {"Idempotency-Key": key} if key else {}
    body = {"readings": _lines(batch)}
    try:
        reply = client.post(f"{address}{SITE}/readings", json=body, headers=headers)
    except httpx.ConnectError:
        return False  # the next server does not listen yet
    except httpx.TransportError:
        load.note(batch, "cut off")
        return False
    if reply.status_code in {409, 503}:  # the first is still at work, or the database is
        load.note(batch, "told to wait")
        return False
    told = reply.json()
    assert 200 == reply.status_code, told
    assert LINES == told["parked"] + told["repeated"], told
    load.note(batch, "acknowledged")
    return True


def killed(url: str, kills: int, seed: int) -> Verdict:
    """Kill a server so many times under load, and look at what is in its database then."""
    chance = Random(seed)  # noqa: S311 - as above
    load, ending = Load(), threading.Event()
    with KillableServer(url) as server, ThreadPoolExecutor(CLIENTS) as pool:
        clients = [pool.submit(_client, server, load, ending, i) for i in range(CLIENTS)]
        for _ in range(kills):
            _await_work(load)
            time.sleep(chance.uniform(0, _LONGEST_LIFE_S))
            server.kill()
            server.start()
        ending.set()
        for client in clients:
            client.result()
    return _verdict(url, kills, load)


def _await_work(load: Load) -> None:
    """Wait until the server is at work, so that the kill comes in the middle of it."""
    before, deadline = len(load.acknowledged), time.monotonic() + _AT_WORK_S
    while len(load.acknowledged) == before and time.monotonic() < deadline:
        time.sleep(0.002)


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
        postings=load.postings,
        cut_off=load.cut_off,
        told_to_wait=load.told_to_wait,
        acknowledged=len(load.acknowledged),
        lost=load.acknowledged - set(counts),
        half_written={b: n for b, n in counts.items() if n != LINES or b not in load.sent},
        doubled=sum(row[2] != 1 for row in rows),
    )
