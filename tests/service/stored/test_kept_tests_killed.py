"""The server killed while tests are kept: each that was acknowledged is there once, and whole."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from random import Random

import httpx
import sqlalchemy as sa

from service.store import Store
from service.store.engine import database_url
from service.store.tables import test_revisions as revisions
from service.store.tables import tests
from service.tests.schemas import MINIMAL_SHEET
from tests.service.client import JSON

from .plant import SITE
from .server import KillableServer

KILLS, CLIENTS = 3, 2
_AT_WORK_S = 60.0
_LONGEST_LIFE_S = 0.4


class _Load:
    """What two clients send, and what was acknowledged."""

    def __init__(self, server: KillableServer) -> None:
        self.server, self.ending = server, threading.Event()
        self.acknowledged: dict[str, dict[str, object]] = {}
        self.cut_off = 0

    def post(self, client: int) -> None:
        """Post one test after the other, each under its key until it is acknowledged."""
        number = 0
        with httpx.Client(timeout=60) as http:
            while not self.ending.is_set():
                title = f"client {client} test {number}"
                if self._is_kept(http, title):
                    number += 1
                else:
                    time.sleep(0.02)

    def _is_kept(self, http: httpx.Client, title: str) -> bool:
        headers = JSON | {"Idempotency-Key": title.replace(" ", "-")}
        body = json.dumps({**MINIMAL_SHEET, "title": title})
        try:
            reply = http.post(f"{self.server.address}{SITE}/tests", content=body, headers=headers)
        except httpx.ConnectError:
            return False
        except httpx.TransportError:
            self.cut_off += 1
            return False
        if reply.status_code in {409, 503}:
            return False
        assert reply.status_code == 201, reply.text
        self.acknowledged[title] = reply.json()
        return True


def test_a_killed_server_loses_no_test_and_keeps_none_by_halves(plant_url: str) -> None:
    chance = Random(1)  # noqa: S311 - for a test that can be run again
    with KillableServer(plant_url) as server, ThreadPoolExecutor(CLIENTS) as pool:
        load = _Load(server)
        clients = [pool.submit(load.post, i) for i in range(CLIENTS)]
        for _ in range(KILLS):
            before, deadline = len(load.acknowledged), time.monotonic() + _AT_WORK_S
            while len(load.acknowledged) == before and time.monotonic() < deadline:
                time.sleep(0.005)
            time.sleep(chance.uniform(0, _LONGEST_LIFE_S))
            server.kill()
            server.start()
        load.ending.set()
        for client in clients:
            client.result()

    store = Store(database_url(plant_url))
    with store.reading() as connection:
        query = sa.select(tests.c.title, tests.c.newest, revisions)
        rows = connection.execute(
            query.outerjoin(revisions, revisions.c.test_id == tests.c.id)
        ).all()
    store.close()
    found = {row.title: row for row in rows}
    assert len(rows) == len(found)
    assert load.acknowledged
    assert set(load.acknowledged) <= set(found)
    for title, row in found.items():
        assert (1, 1) == (row.newest, row.revision)
        assert hashlib.sha256(row.record.encode()).hexdigest() == row.digest
        assert title == json.loads(row.sheet)["title"]
        if title in load.acknowledged:
            assert row.digest == load.acknowledged[title]["digest"]
