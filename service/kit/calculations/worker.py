"""A worker process from both sides: what it keeps to within, and what happens when it is lost."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import ParamSpec, TypeVar

from service.kit import logs
from service.kit.problems import (
    CALCULATION_LOST,
    OVER_BUDGET,
    RefusalError,
    problem_of,
)
from service.kit.settings import Settings
from service.kit.threads import use_one_thread_each

from .places import Work, allow_here

_P = ParamSpec("_P")
_T = TypeVar("_T")

GRACE_S = 15.0
"""
Seconds beyond the time budget until a worker is stopped from outside.

The budget is that of the reconciliation, which ends itself; reading the largest request and
writing its reply took up to 6 s beside it.
"""

HEADROOM_MB = 1000.0
"""Megabytes beside the memory budget, for the largest request and reply and their objects."""

_SPARE = 10  # niceness of a lane that works on what others leave


@dataclass(frozen=True, slots=True)
class Lane:
    """
    What the workers of a lane have in common.

    ``prepare`` is called once in each, so that the first request finds everything loaded.
    """

    settings: Settings
    prepare: Callable[[], None]
    yields: bool
    most_quantities: int | None
    grace_s: float = GRACE_S

    @property
    def limit_s(self) -> float:
        """Seconds after which a worker that has not answered is stopped."""
        return self.settings.time_budget_s + self.grace_s


class _Mine:
    """The lane of this process, once it is a worker."""

    lane: Lane


def leave_with_parent() -> None:
    """From now on, end this process when the one that started it is gone, however it went."""
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _limit_memory(megabytes: float) -> None:
    """Let allocations fail beyond what the process has by now and so much more."""
    if sys.platform != "linux":
        return
    import resource  # noqa: PLC0415 - not on every platform

    with open("/proc/self/statm", encoding="ascii") as sizes:  # noqa: PTH123 - no file of ours
        now = int(sizes.read().split()[5]) * resource.getpagesize()
    most = now + round(megabytes * 1024 * 1024)
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    if hard == resource.RLIM_INFINITY or most < hard:
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))


def _become_worker(lane: Lane) -> None:
    """Make this process a worker: called in it, before its first calculation."""
    logs.configure()
    # An interrupt from the terminal reaches all processes; the one that serves decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leave_with_parent()
    if lane.yields:
        os.nice(_SPARE)
    use_one_thread_each()
    lane.prepare()
    # What is loaded by now stays: let the collector of garbage pass over it, which would take
    # longer than a small balance each time.
    gc.collect()
    gc.freeze()
    allow_here(lane.most_quantities)
    _limit_memory(lane.settings.memory_budget_mb + HEADROOM_MB)
    _Mine.lane = lane


def _calculate(work: Work, body: bytes) -> bytes:
    """Calculate within the budgets, in the worker; the clock's signal ends the whole process."""
    lane = _Mine.lane
    signal.setitimer(signal.ITIMER_REAL, lane.limit_s)
    try:
        return work(body, lane.settings)
    except MemoryError as error:
        raise _over_budget("memory") from error
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def _stand_by() -> None:
    """Do nothing: a worker that has done it is ready."""


def _over_budget(what: str) -> RefusalError:
    reason = f"The calculation was stopped, because it used up the {what} allowed."
    problem = problem_of(OVER_BUDGET, reason).model_copy(
        update={"outcome": "over budget", "nodes": [], "reason": reason}
    )
    return RefusalError(OVER_BUDGET, problem)


class Worker:
    """One worker process, as the process that serves sees it."""

    def __init__(self, lane: Lane) -> None:
        self._lane = lane
        self._process: BaseProcess | None = None
        self._executor = self._made()

    def _made(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            1, mp_context=get_context("spawn"), initializer=_become_worker, initargs=(self._lane,)
        )

    async def stand_by(self) -> None:
        """
        Wait until the worker is ready.

        Raises
        ------
        BrokenProcessPool
            if its process ends before that.
        """
        await asyncio.wrap_future(self._submit(_stand_by))

    def begin(self, work: Work, body: bytes) -> Future[bytes]:
        """Begin a calculation; a process that was lost while idle is replaced first."""
        try:
            return self._submit(_calculate, work, body)
        except BrokenProcessPool:
            self.replace()
            return self._submit(_calculate, work, body)

    def _submit(
        self, function: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs
    ) -> Future[_T]:
        """Hand something to the process; the first to do so starts it, and learns which it is."""
        if self._process is not None:
            return self._executor.submit(function, *args, **kwargs)
        before = {process.pid for process in active_children()}
        future = self._executor.submit(function, *args, **kwargs)
        started = (process for process in active_children() if process.pid not in before)
        self._process = next(started, None)
        return future

    def replace(self) -> None:
        """Put another process in the place of one that was lost."""
        self._executor.shutdown(wait=False)
        self._process, self._executor = None, self._made()

    def refusal(self, spent_s: float) -> RefusalError:
        """Say what became of a calculation whose process ended after so many seconds."""
        if spent_s >= self._lane.limit_s:
            return _over_budget("time")
        detail = "The process that calculated ended before it had answered."
        return RefusalError(CALCULATION_LOST, problem_of(CALCULATION_LOST, detail))

    def stop(self, within_s: float) -> None:
        """End the process once it has done what it is at, or when the time is up."""
        ending = threading.Thread(target=self._executor.shutdown, kwargs={"cancel_futures": True})
        ending.start()
        ending.join(within_s)
        if ending.is_alive() and self._process is not None:
            self._process.kill()
        ending.join()
