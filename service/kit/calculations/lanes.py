"""The two lanes, and the queue before each."""

from __future__ import annotations

import asyncio
import logging
import math
import os
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from time import perf_counter

from service.kit.problems import BUSY, RefusalError, problem_of
from service.kit.settings import Settings

from .places import Misplaced, Work
from .worker import Lane, Worker

_log = logging.getLogger("evenlode")

SMALL_BODY_BYTES = 64 * 1024
"""
Longest body tried in the lane of small calculations.

A reading takes about 80 bytes, so this is 800 of them.  What is short but still large, by many
periods or sizes, is found out by :func:`~service.kit.calculations.weigh` when it has been read.
"""

SMALL_QUANTITIES = 500
"""Most quantities of a small calculation: 40 streams of 12 components; about 50 ms."""

_PAUSE_S = 1.0  # between attempts to start a process, so that a lasting cause keeps no core busy

_STOP_S = 1.0  # for a process to end by itself

_MEMORY = 0.2  # weight of the last calculation in the mean of their times


class _Queue:
    """The workers of one lane, and those who wait for one of them."""

    def __init__(self, lane: Lane, workers: int, waiting: int) -> None:
        self.workers = [Worker(lane) for _ in range(workers)]
        self.waiting = 0
        self.busy = 0
        self._most_waiting = waiting
        self._mean_s = 0.0
        self._healing: set[asyncio.Task[None]] = set()  # kept, or they would be collected
        # The last to have worked is the first to work: what it knows of is fresh.
        self._idle: asyncio.LifoQueue[Worker] = asyncio.LifoQueue()
        for worker in self.workers:
            self._idle.put_nowait(worker)

    async def run(self, work: Work, body: bytes) -> bytes:
        worker = await self._free()
        self.busy += 1
        started = perf_counter()
        future = worker.begin(work, body)
        future.add_done_callback(self._returning(worker, asyncio.get_running_loop(), started))
        try:
            return await asyncio.wrap_future(future)
        except BrokenProcessPool as error:
            raise worker.refusal(perf_counter() - started) from error

    async def _free(self) -> Worker:
        if self._idle.empty() and self.waiting >= self._most_waiting:
            raise self._refuse()
        self.waiting += 1
        try:
            return await self._idle.get()
        finally:
            self.waiting -= 1

    def _returning(
        self, worker: Worker, loop: asyncio.AbstractEventLoop, started: float
    ) -> Callable[[Future[bytes]], None]:
        """Give the worker back when it is done, even if nobody waits for the answer any more."""

        def returned(future: Future[bytes]) -> None:
            self.busy -= 1
            self._mean_s += _MEMORY * (perf_counter() - started - self._mean_s)
            if isinstance(future.exception(), BrokenProcessPool):
                task = loop.create_task(self._heal(worker))
                self._healing.add(task)
                task.add_done_callback(self._healing.discard)
            else:
                self._idle.put_nowait(worker)

        def passed_on(future: Future[bytes]) -> None:
            loop.call_soon_threadsafe(returned, future)

        return passed_on

    async def _heal(self, worker: Worker) -> None:
        """Give a worker back once another process has taken the place of the lost one."""
        _log.warning("a worker process was lost; another is started")
        while True:
            worker.replace()
            try:
                await worker.stand_by()
            except BrokenProcessPool:
                _log.exception("a worker process could not be started")
                await asyncio.sleep(_PAUSE_S)
            else:
                self._idle.put_nowait(worker)
                return

    def _refuse(self) -> RefusalError:
        wait_s = max(1, math.ceil(self._mean_s * self.waiting / len(self.workers)))
        detail = f"{self.waiting} calculations wait already. Try again in about {wait_s} s."
        return RefusalError(BUSY, problem_of(BUSY, detail), {"Retry-After": str(wait_s)})


class Lanes:
    """
    Worker processes in two lanes; large calculations yield to small ones.

    Each lane has workers and a queue of its own, so that a small calculation never waits for a
    large one, and the workers of the large lane run at a lower priority.
    """

    def __init__(self, settings: Settings, prepare: Callable[[], None]) -> None:
        small = Lane(settings, prepare, yields=False, most_quantities=SMALL_QUANTITIES)
        large = Lane(settings, prepare, yields=True, most_quantities=None)
        count = settings.small_workers or os.cpu_count() or 1
        self._small = _Queue(small, count, settings.queue_limit)
        self._large = _Queue(large, settings.large_workers, settings.queue_limit)
        self._ready = False

    async def stand_by(self) -> None:
        """Wait until every worker is ready; the first alone, since it may have to compile."""
        first, *others = (*self._small.workers, *self._large.workers)
        await first.stand_by()
        await asyncio.gather(*(worker.stand_by() for worker in others))
        self._ready = True

    @property
    def ready(self) -> bool:
        """Say whether all workers have been ready once."""
        return self._ready

    @property
    def load(self) -> dict[str, tuple[int, int]]:
        """How many calculations run and wait, by lane."""
        return {
            "small": (self._small.busy, self._small.waiting),
            "large": (self._large.busy, self._large.waiting),
        }

    async def run(self, work: Work, body: bytes) -> bytes:
        """
        Give the reply to a request.

        Raises
        ------
        RefusalError
            what the work raises; 503 if the queue is full or a budget used up; 500 if the
            process that calculated was lost.
        """
        if len(body) > SMALL_BODY_BYTES:
            return await self._large.run(work, body)
        try:
            return await self._small.run(work, body)
        except Misplaced:
            return await self._large.run(work, body)

    def stop(self) -> None:
        """End all workers; whoever awaited what one is still at has been told by now."""
        for worker in (*self._small.workers, *self._large.workers):
            worker.stop(_STOP_S)
