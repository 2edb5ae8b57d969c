"""
What a request costs beside the engine, and whether large requests hold up small ones.

``python -m tests.benchmarks.service`` starts the service and a bare endpoint, each a real server in
a process of its own, and prints Markdown.  It ends with 1 where a reply is not a balance.
"""

from __future__ import annotations

import argparse
import json
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection

import numpy as np

from tests.benchmarks import table
from tests.benchmarks.bare import PATH
from tests.benchmarks.flowsheets import Family, Survey, survey

SMALL, LARGE = (8, 4), (1000, 10)
"""Streams and components of the small and of the large request."""

WARM_UP, TIMES, QUICK_TIMES = 50, 1000, 200
"""Requests before those that count, and how many count."""

PATIENCE_S = 120.0
"""Longest wait for a server to answer its first request; it may have to compile."""

JSON = {"Content-Type": "application/json"}


def request_of(found: Survey, seed: int) -> bytes:
    """Give a survey as the body of a request; grades in fractions."""
    sheet = found.flowsheet
    values = found.draw(np.random.default_rng(seed))
    readings = [
        {"stream": r.stream, "of": "mass" if r.of == "mass" else r.of, "value": r.value, "sd": r.sd}
        for r in found.readings(values)
    ]
    streams = [
        {"name": s.name}
        | ({} if s.source is None else {"from": s.source})
        | ({} if s.target is None else {"to": s.target})
        for s in sheet.streams
    ]
    components = [{"name": name, "unit": "fraction"} for name in sheet.components]
    flowsheet = {
        "mass_unit": "t",
        "nodes": list(sheet.nodes),
        "streams": streams,
        "components": components,
    }
    return json.dumps({"flowsheet": flowsheet, "readings": readings}).encode()


class Client:
    """One connection that stays open and waits for each reply."""

    def __init__(self, port: int) -> None:
        self._connection = HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        self._connection.connect()
        self._connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, method: str, path: str, body: bytes | None = None) -> tuple[float, bytes]:
        """Give the milliseconds until the reply was read, and the reply."""
        started = time.perf_counter()
        self._connection.request(method, path, body, JSON)
        reply = self._connection.getresponse()
        text = reply.read()
        spent = 1e3 * (time.perf_counter() - started)
        if reply.status != 200:
            raise RuntimeError(f"{method} {path}: status {reply.status}, {text[:300]!r}")
        return spent, text

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


@dataclass(frozen=True)
class Times:
    """Milliseconds of many requests; of the engine alone where the replies tell."""

    whole: list[float]
    engine: list[float] = field(default_factory=list)

    def quantile(self, share: float) -> float:
        """Give the time that this share of the requests did not exceed."""
        return float(np.quantile(self.whole, share))

    @property
    def beside_engine(self) -> float:
        """Median of what is not the engine's."""
        return statistics.median(w - e for w, e in zip(self.whole, self.engine, strict=True))


def timed(port: int, body: bytes, count: int) -> Times:
    """Send a request many times over one connection."""
    client = Client(port)
    for _ in range(WARM_UP):
        client.send("POST", PATH, body)
    replies = [client.send("POST", PATH, body) for _ in range(count)]
    client.close()
    engine = [json.loads(text)["solver"]["engine_time_ms"] for _, text in replies]
    return Times([spent for spent, _ in replies], engine)


@contextmanager
def server(*command: str, given: bytes = b"") -> Iterator[int]:
    """Start a server on a free port, and stop it by its own process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [sys.executable, "-m", *(str(port) if w == "PORT" else w for w in command)]
    process = subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    assert process.stdin is not None
    process.stdin.write(given)
    process.stdin.close()
    try:
        _await(port, process)
        yield port
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE_S)


def _await(port: int, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and process.poll() is None:
        with socket.socket() as attempt:
            if attempt.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise RuntimeError("the server did not start")


@contextmanager
def under_load(port: int, body: bytes, clients: int) -> Iterator[Times]:
    """Keep so many clients sending a large request, one after the other; give their times."""
    over = threading.Event()
    times = Times([])

    def keep_sending() -> None:
        client = Client(port)
        while not over.is_set():
            times.whole.append(client.send("POST", PATH, body)[0])
        client.close()

    senders = [threading.Thread(target=keep_sending) for _ in range(clients)]
    for sender in senders:
        sender.start()
    try:
        yield times
    finally:
        over.set()
        for sender in senders:
            sender.join()


@contextmanager
def asked_after(port: int) -> Iterator[Times]:
    """Ask every 20 ms whether the service lives; the times tell how long its loop was held up."""
    over = threading.Event()
    times = Times([])

    def keep_asking() -> None:
        client = Client(port)
        while not over.wait(0.02):
            times.whole.append(client.send("GET", "/livez")[0])
        client.close()

    asking = threading.Thread(target=keep_asking)
    asking.start()
    try:
        yield times
    finally:
        over.set()
        asking.join()


def throughput(port: int, body: bytes, clients: int, count: int) -> float:
    """Give the requests answered in a second to so many clients at once."""

    def send() -> None:
        client = Client(port)
        for _ in range(count // clients):
            client.send("POST", PATH, body)
        client.close()

    senders = [threading.Thread(target=send) for _ in range(clients)]
    started = time.perf_counter()
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    return count // clients * clients / (time.perf_counter() - started)


def _row(name: str, times: Times) -> str:
    half, most = (times.quantile(share) for share in (0.5, 0.99))
    return f"| {name} | {half:.2f} | {most:.2f} | {max(times.whole):.2f} | {len(times.whole)} |"


def measure(count: int, clients: int) -> Iterator[str]:
    """Measure, and give the lines of the report as they are known."""
    small, large = (
        request_of(survey(Family.DENSE, *size, seed=1), seed=1) for size in (SMALL, LARGE)
    )
    yield f"Small: {SMALL[0]} streams, {SMALL[1]} components, {len(small)} bytes. Large: "
    yield f"{LARGE[0]} streams, {LARGE[1]} components, {len(large)} bytes, {clients} clients.\n"
    yield "| requests, one connection | p50, ms | p99, ms | most, ms | n |"
    yield "|---|---|---|---|---|"
    with server("tests.benchmarks.bare", "PORT", given=small) as port:
        bare = timed(port, small, count)
    yield _row("bare endpoint, same body and reply", bare)
    with server("service.cli", "serve", "--port", "PORT") as port:
        timed(port, small, 1)
        Client(port).send("POST", PATH, large)
        alone = timed(port, small, count)
        yield _row("small, alone", alone)
        with asked_after(port) as idle:
            time.sleep(2.0)
        yield _row("`/livez`, alone", idle)
        with under_load(port, large, clients) as larges, asked_after(port) as living:
            mixed = timed(port, small, count)
        yield _row("small, beside large ones", mixed)
        yield _row("`/livez`, beside large ones", living)
        yield _row("large, beside small ones", larges)
        rate = throughput(port, small, 16, count)
    engine = statistics.median(alone.engine)
    ratio = alone.beside_engine / bare.quantile(0.5)
    yield f"\nEngine, median: {engine:.2f} ms. All else: {alone.beside_engine:.2f} ms, "
    yield f"{ratio:.2f} times the bare endpoint. p99 of small requests beside large ones: "
    yield f"{mixed.quantile(0.99) / alone.quantile(0.99):.2f} times its value alone. "
    yield f"{rate:.0f} small requests a second to 16 clients."


def main(given: Sequence[str] | None = None) -> int:
    """Measure and print; give the exit status."""
    parser = argparse.ArgumentParser("python -m tests.benchmarks.service", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer requests")
    parser.add_argument("--clients", type=int, default=2, help="clients that send large requests")
    chosen = parser.parse_args(given)
    sys.stdout.write(table.setting() + "\n")
    for line in measure(QUICK_TIMES if chosen.quick else TIMES, chosen.clients):
        sys.stdout.write(line + "\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
