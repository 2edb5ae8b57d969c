"""
A simulated plant's quarter on either database: its time, and readings and balances in a second.

``python -m tests.benchmarks.quarter`` posts 273 shifts to a real server, shift by shift, has each
balance calculated, and reads them with several clients; then it posts the same quarter late,
doubled and shuffled to another database, with balances calculated in between.  Both databases wait
for the disk at every commit.  It prints Markdown, and ends with 1 unless the digests of all
balances are the same on both roads.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path

if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="evenlode-run-")

import numpy as np

from service.app import create_app
from service.kit import logs
from service.kit.settings import Settings
from tests import databases
from tests.benchmarks import table
from tests.service.stored import months
from tests.service.stored.plant import SITE
from tests.service.stored.server import KillableServer
from tests.service.stored.shift_plant import addresses, build, shift_readings

CLIENTS = 8
ROUNDS = 8
"""How often every balance of the quarter is read."""

_OK = 200


@dataclass(frozen=True)
class Pace:
    """How many in a second, and how long one took, in ms."""

    per_second: float
    p50_ms: float
    p99_ms: float

    def cells(self) -> list[str]:
        """Give it as cells of a table."""
        return [f"{self.per_second:.0f}", f"{self.p50_ms:.1f}", f"{self.p99_ms:.1f}"]


class _Client:
    """A connection that is kept, as a plant data system keeps it."""

    def __init__(self, port: int) -> None:
        self._connection = HTTPConnection("127.0.0.1", port)

    def ask(self, method: str, path: str, body: bytes | None = None) -> float:
        """Send a request, and give how long it took in ms."""
        started = time.perf_counter()
        headers = {"Content-Type": "application/json"} if body else {}
        self._connection.request(method, path, body, headers)
        reply = self._connection.getresponse()
        text = reply.read()
        took = 1e3 * (time.perf_counter() - started)
        if reply.status != _OK:
            raise SystemExit(f"{method} {path}: {reply.status} {text[:300]!r}")
        return took


def _pace(took: Iterable[float], count: int, elapsed_s: float) -> Pace:
    p50, p99 = np.percentile(list(took), [50, 99])
    return Pace(count / elapsed_s, float(p50), float(p99))


def _timed(run: Callable[[], list[float]], count: int) -> Pace:
    started = time.perf_counter()
    took = run()
    return _pace(took, count, time.perf_counter() - started)


def _warm(client: _Client, wanted: list[str]) -> None:
    """Calculate one balance, however long that takes: the first compiles."""
    for _ in range(100):
        try:
            client.ask("POST", wanted[0])
        except SystemExit:
            time.sleep(1)
        else:
            return
    raise SystemExit("no first balance")


def _served(url: str) -> tuple[list[list[str]], float]:
    """Measure a quarter in order over HTTP, and say how long it took in seconds."""
    wanted = list(addresses(months.A_QUARTER))
    bodies = [json.dumps({"readings": shift_readings(n)}).encode() for n in range(months.A_QUARTER)]
    with KillableServer(url) as server:
        port = int(server.address.rsplit(":", 1)[1])
        client = _Client(port)
        client.ask("POST", f"{SITE}/readings", bodies[0])
        _warm(client, wanted)
        started = time.perf_counter()
        readings = sum(len(shift_readings(n)) for n in range(months.A_QUARTER))
        post = _timed(
            lambda: [client.ask("POST", f"{SITE}/readings", body) for body in bodies], readings
        )
        calculate = _timed(lambda: [client.ask("POST", a) for a in wanted], len(wanted))
        whole_s = time.perf_counter() - started
        one = _timed(lambda: [client.ask("GET", a) for a in wanted], len(wanted))
        many = _timed(lambda: _read_by_many(port, wanted), ROUNDS * len(wanted))
    rows = [
        ["readings posted, a shift at a time", "1", *post.cells()],
        ["balances calculated and kept", "1", *calculate.cells()],
        ["balances served", "1", *one.cells()],
        ["balances served", str(CLIENTS), *many.cells()],
    ]
    return rows, whole_s


def _read_by_many(port: int, wanted: list[str]) -> list[float]:
    def reads(_: int) -> list[float]:
        client = _Client(port)
        return [client.ask("GET", a) for _ in range(ROUNDS // CLIENTS) for a in wanted]

    with ThreadPoolExecutor(CLIENTS) as pool:
        return [ms for took in pool.map(reads, range(CLIENTS)) for ms in took]


def _built(url: str) -> None:
    app = create_app(Settings(database_url=url))
    build(app)
    app.state.store.close()


def _finished(url: str, lines: list[dict[str, object]], seed: int | None) -> dict[str, str]:
    """Post what is left, calculate what is due, and give the digests."""
    app = create_app(Settings(database_url=url))
    months.post_all(app, lines, 60, seed=seed)
    months.calculate_all(app.state.store)
    found = months.digests(app.state.store)
    app.state.store.close()
    return found


def main() -> None:
    """Measure both databases and print."""
    logs.configure()
    logging.getLogger("httpx").setLevel(logging.WARNING)
    every = months.read_in(months.A_QUARTER)
    rows, times, digests = [], [], []
    for kind in databases.KINDS:
        if kind == "postgresql":
            databases.write_through()
        with tempfile.TemporaryDirectory() as folder:
            with databases.database(kind, Path(folder)) as url:
                _built(url)
                found, whole_s = _served(url)
                rows += [[kind, *row] for row in found]
                digests.append(_finished(url, every, None))
            with databases.database(kind, Path(folder)) as url:
                _built(url)
                started = time.perf_counter()
                digests.append(_finished(url, months.disordered(every, 3), 7))
                times.append([kind, f"{whole_s:.0f}", f"{time.perf_counter() - started:.0f}"])
    is_same = all(found == digests[0] for found in digests)
    head = ["database", "what", "clients", "in a second", "p50, ms", "p99, ms"]
    quarter = ["database", "in order, over HTTP, s", "in no order, in process, s"]
    sys.stdout.write(f"{table.setting()}\n{table.markdown(head, rows)}\n")
    sys.stdout.write(f"{table.markdown(quarter, times)}\n")
    sys.stdout.write(f"{len(digests[0])} balances, the same on all roads: {is_same}.\n")
    raise SystemExit(0 if is_same else 1)


if __name__ == "__main__":
    main()
