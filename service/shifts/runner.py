"""Calculation where it holds nothing up: on request, and by itself after new readings."""

from __future__ import annotations

import asyncio
import logging
from datetime import timedelta

import anyio
from fastapi import FastAPI

from service.kit.instants import now
from service.kit.problems import (
    BUSY,
    INTERNAL,
    STOPPING,
    STORE_UNAVAILABLE,
    RefusalError,
    problem_of,
)
from service.kit.settings import Settings
from service.store.calls import in_thread_of
from service.store.migrate import is_newest

from . import calculation, repository
from .place import Place
from .record import recorded
from .repository import Head

_log = logging.getLogger("evenlode")

LONGEST_PAUSE_S = 5.0
"""Longest time between two looks for balances that are due."""

PASSING = frozenset({BUSY, STOPPING, STORE_UNAVAILABLE})
"""Refusals that will pass by themselves."""

MOST_AT_A_LOOK = 50
"""Balances taken up at one look; the next look follows at once."""


async def brought_up(app: FastAPI, place: Place) -> None:
    """
    Bring a balance up to what was read, the calculation outside of this thread.

    Raises
    ------
    RefusalError
        where there is no such balance, none can be made, or there is no room for it now.
    """
    store, settings = app.state.store, app.state.settings
    for _ in range(calculation.MOST_ATTEMPTS):
        task = await in_thread_of(app, calculation.prepared, store, place, settings)
        if task is None:
            return
        try:
            record = await app.state.calculations.run(recorded, task.body)
        except RefusalError as refusal:
            await in_thread_of(app, calculation.failed, store, task, refusal)
            raise
        if await in_thread_of(app, calculation.kept, store, task, record):
            return


def let_finish(app: FastAPI, calculating: asyncio.Task[None]) -> None:
    """Let a calculation that nobody waits for any more go on; how it ends is kept or logged."""
    going: set[asyncio.Task[None]] = app.state.calculating
    going.add(calculating)  # or it would be collected

    def ended(task: asyncio.Task[None]) -> None:
        going.discard(task)
        error = None if task.cancelled() else task.exception()
        if isinstance(error, RefusalError):
            _log.info("a balance was not made: %s", error.problem.detail)
        elif error is not None:
            _log.error("a balance could not be calculated", exc_info=error)

    calculating.add_done_callback(ended)


class Keeper:
    """Calculates by itself what is due, once its readings have rested for a while."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app
        settings: Settings = app.state.settings
        self._rest = timedelta(seconds=settings.recalculate_after_s)
        self._pause_s = min(LONGEST_PAUSE_S, max(0.2, settings.recalculate_after_s))
        self._is_migrated = False

    async def run(self) -> None:
        """Look for what is due until cancelled; what goes wrong is logged, and not the end."""
        while True:
            try:
                done = await self.look()
            except RefusalError as refusal:
                _log.warning("balances that are due wait: %s", refusal.problem.detail)
                done = 0
            except Exception:  # noqa: BLE001 - it hides nothing, and balances must go on
                _log.exception("looking for balances that are due failed")
                done = 0
            if not done:
                await anyio.sleep(self._pause_s)

    async def look(self) -> int:
        """Calculate what is due, as much as is taken up at one look, and say how many were."""
        found = await in_thread_of(self._app, self._found)
        for site, head in found:
            await self._calculate(site, head)
        return len(found)

    def _found(self) -> list[tuple[str, Head]]:
        store = self._app.state.store
        self._is_migrated = self._is_migrated or is_newest(store)
        if not self._is_migrated:  # which is told by whether the service is ready
            return []
        with store.reading() as connection:
            waiting = repository.sites_with_due_spells(connection)
        for site in waiting:
            calculation.take_up(store, site)
        with store.reading() as connection:
            return repository.stale(connection, now() - self._rest, MOST_AT_A_LOOK)

    async def _calculate(self, site: str, head: Head) -> None:
        place = Place(site, head.flowsheet, head.day, head.shift)
        try:
            await brought_up(self._app, place)
        except RefusalError as refusal:
            if refusal.kind in PASSING:
                await anyio.sleep(self._pause_s)
                return
            _log.info("no balance of %s: %s", place.address, refusal.problem.detail)
            problem = refusal.problem
        except Exception:  # noqa: BLE001 - it hides nothing
            _log.exception("the balance of %s could not be calculated", place.address)
            problem = problem_of(INTERNAL, "The calculation failed; the log says more.")
        else:
            return
        # Not tried again until something comes, so that it does not hold up the rest.
        await in_thread_of(
            self._app, calculation.give_up, self._app.state.store, place, head, problem
        )


def start(app: FastAPI) -> asyncio.Task[None]:
    """Begin to calculate by itself what is due."""
    return asyncio.create_task(Keeper(app).run())
