"""
How many readings are taken in a second, on either database.

``python -m tests.benchmarks.stored`` starts a real server for each and prints Markdown; both wait
for the disk at every commit.  It ends with 1 where a reading is not stored.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection
from pathlib import Path

if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="evenlode-run-")

import numpy as np

from tests import databases
from tests.benchmarks import table
from tests.service.stored import plant
from tests.service.stored.server import KillableServer

SECONDS, QUICK_SECONDS = 10.0, 2.0
LOADS = [(1, 1), (8, 1), (1, 100), (8, 100), (1, 1000)]
"""Clients, and readings of each of their postings."""

_START = datetime(2020, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Figures:
    """Readings stored in a second, and how long a posting took, in ms."""

    per_second: float
    p50_ms: float
    p99_ms: float


def _body(tag: str, number: int, size: int) -> bytes:
    lines = [
        {
            "source": "plant data system",
            "tag": tag,
            "time": (_START + timedelta(minutes=number * size + i)).isoformat(),
            "value": 100.0 + i / 7,
        }
        for i in range(size)
    ]
    return json.dumps({"readings": lines}).encode()


def _client(
    port: int, tag: str, size: int, until: float, barrier: threading.Barrier
) -> list[float]:
    connection = HTTPConnection("127.0.0.1", port)
    headers = {"Content-Type": "application/json"}
    took = []
    barrier.wait()
    number = 0
    while time.perf_counter() < until:
        body = _body(tag, number, size)
        number += 1
        started = time.perf_counter()
        connection.request("POST", f"{plant.SITE}/readings", body, headers)
        reply = json.loads(connection.getresponse().read())
        took.append(1e3 * (time.perf_counter() - started))
        if reply.get("accepted", 0) + reply.get("parked", 0) != size:
            raise SystemExit(f"not stored: {reply}")
    connection.close()
    return took


def measured(port: int, name: str, clients: int, size: int, seconds: float) -> Figures:
    """Post for so many seconds."""
    barrier = threading.Barrier(clients)
    started = time.perf_counter()
    with ThreadPoolExecutor(clients) as pool:
        jobs = [
            pool.submit(
                _client, port, f"{name} {clients} {size} {i}", size, started + seconds, barrier
            )
            for i in range(clients)
        ]
        took = [ms for job in jobs for ms in job.result()]
    elapsed = time.perf_counter() - started
    p50, p99 = np.percentile(took, [50, 99])
    return Figures(len(took) * size / elapsed, float(p50), float(p99))


def main() -> None:
    """Measure both databases and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="shorter, less sure")
    seconds = QUICK_SECONDS if parser.parse_args().quick else SECONDS
    rows = []
    for kind in databases.KINDS:
        if kind == "postgresql":
            databases.write_through()
        with (
            tempfile.TemporaryDirectory() as folder,
            databases.database(kind, Path(folder), plant.fill) as url,
            KillableServer(url) as server,
        ):
            port = int(server.address.rsplit(":", 1)[1])
            measured(port, "warm-up", 1, 10, QUICK_SECONDS)
            for clients, size in LOADS:
                found = measured(port, "t", clients, size, seconds)
                figures = (f"{found.per_second:.0f}", f"{found.p50_ms:.1f}", f"{found.p99_ms:.1f}")
                rows.append([kind, str(clients), str(size), *figures])
    head = ["database", "clients", "readings a posting", "readings/s", "p50, ms", "p99, ms"]
    sys.stdout.write(f"{table.setting()}\n{table.markdown(head, rows)}")


if __name__ == "__main__":
    main()
