"""
Processor time of a balance beside the engine, step by step, and beside a bare endpoint.

``python -m tests.benchmarks.overhead`` runs everything in one process and counts the time of its
processor, not of the clock, so that other work on the machine weighs little.  What is compared runs
in turns.  Prints Markdown.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import logging
import os
import statistics
import sys
import time
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from service.app import create_app
from service.balances import service
from service.balances.answer.whole import answer
from service.balances.intake import take_in
from service.balances.terms.asked import asked_of
from service.kit import logs
from service.kit.calculations import Work
from service.kit.replies import members_as_bytes
from service.kit.settings import Settings
from service.kit.threads import use_one_thread_each
from tests.benchmarks import table
from tests.benchmarks.bare import PATH, bare
from tests.benchmarks.flowsheets import Family, survey
from tests.benchmarks.service import SMALL, request_of

ROUNDS, EACH = 9, 30
"""Turns, of which the medians are told, and how often each thing is done in a turn."""

_HEADERS = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")]


class _Fixed:
    """A place for calculations that has the answer already: what is left is the way there."""

    ready = True
    load: dict[str, tuple[int, int]] = {}  # noqa: RUF012 - never changed

    def __init__(self, reply: bytes) -> None:
        self._reply = reply

    async def run(self, _work: Work, _body: bytes) -> bytes:
        """Give the answer."""
        return self._reply


async def _asked(app: FastAPI, body: bytes) -> None:
    """Send a request without a server between."""
    scope = {
        "type": "http",
        "method": "POST",
        "path": PATH,
        "raw_path": PATH.encode(),
        "query_string": b"",
        "headers": [*_HEADERS, (b"content-length", str(len(body)).encode())],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
        "scheme": "http",
        "http_version": "1.1",
        "root_path": "",
        "state": {},
    }
    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> dict[str, Any]:
        if not waiting:
            await asyncio.Event().wait()  # the caller stays, and says nothing more
        return waiting.pop()

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start" and message["status"] != 200:
            raise RuntimeError(f"status {message['status']}")

    await app(scope, receive, send)


def _log_to_nowhere() -> None:
    """Let every request be logged as the service logs it, with nobody to read it."""
    logs.configure()
    nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - open to the end
    for handler in logging.getLogger().handlers:
        if isinstance(handler, logging.StreamHandler):
            handler.setStream(nowhere)


async def _spent(act: Callable[[], Awaitable[object]]) -> float:
    started = time.process_time()
    for _ in range(EACH):
        await act()
    return 1e3 * (time.process_time() - started) / EACH


def _at_once(act: Callable[[], object]) -> Callable[[], Awaitable[object]]:
    async def awaited() -> object:
        return act()

    return awaited


async def measured(body: bytes, rounds: int) -> dict[str, list[float]]:
    """Give the milliseconds of each step in every round."""
    settings = Settings()

    def whole() -> tuple[float, float]:
        """Give the time of a whole calculation, and that of the engine in it."""
        started = time.process_time()
        reply = service.balance_json(body, settings)
        spent = 1e3 * (time.process_time() - started)
        return spent, json.loads(reply)["solver"]["engine_time_ms"]

    for _ in range(5):
        whole()  # what is compiled and kept is there from now on
    intake = take_in(body, settings)
    asked = asked_of(intake.terms.sheet, intake.terms.entries, intake.terms.readings)
    found, beyond = service._calculated(intake, asked, settings)
    reply = answer(intake, asked, found, beyond, 0.0)
    app, beside = create_app(settings), bare(body)
    app.state.calculations = _Fixed(members_as_bytes(reply))
    _log_to_nowhere()
    acts = {
        "bare endpoint, same body and reply": lambda: _asked(beside, body),
        "the way to the calculation and back, without a server": lambda: _asked(app, body),
        "reading and judging the request": _at_once(lambda: take_in(body, settings)),
        "answer, from values to named members": _at_once(
            lambda: answer(intake, asked, found, beyond, 0.0)
        ),
        "writing, and the second look": _at_once(lambda: service._written(reply)),
    }
    gc.collect()
    gc.freeze()
    times: dict[str, list[float]] = {name: [] for name in acts}
    times |= {"whole calculation": [], "engine": []}
    for _ in range(rounds):
        for name, act in acts.items():
            times[name].append(await _spent(act))
        spent = [whole() for _ in range(EACH)]
        times["whole calculation"].append(statistics.fmean(whole for whole, _ in spent))
        times["engine"].append(statistics.fmean(engine for _, engine in spent))
    return times


def main(given: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser("python -m tests.benchmarks.overhead", description=__doc__)
    parser.add_argument("--rounds", type=int, default=ROUNDS, help="turns of everything")
    chosen = parser.parse_args(given)
    use_one_thread_each()
    # The engine's time as well is told as that of the processor.
    service.perf_counter = time.thread_time  # type: ignore[attr-defined]
    body = request_of(survey(Family.DENSE, *SMALL, seed=1), seed=1)
    times = asyncio.run(measured(body, chosen.rounds))
    sys.stdout.write(f"{table.setting()}\n\n| step | ms, median | least |\n|---|---|---|\n")
    for name, spent in times.items():
        sys.stdout.write(f"| {name} | {statistics.median(spent):.2f} | {min(spent):.2f} |\n")
    bare_one, way, whole, engine = (
        times[name]
        for name in (
            "bare endpoint, same body and reply",
            "the way to the calculation and back, without a server",
            "whole calculation",
            "engine",
        )
    )
    ratios = [(w + c - e) / b for b, w, c, e in zip(bare_one, way, whole, engine, strict=True)]
    sys.stdout.write(
        f"\nAll but the engine over the bare endpoint: {statistics.median(ratios):.1f} "
        f"({min(ratios):.1f} to {max(ratios):.1f}).\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
