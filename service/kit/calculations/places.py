"""What a calculation is to the place where it runs, and the plainest of places."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Protocol

import anyio
import anyio.to_thread

from service.kit.settings import Settings

Work = Callable[[bytes, Settings], bytes]
"""From the body of a request to the body of its reply; a function of a module, found by name."""


class Calculations(Protocol):
    """Somewhere that calculations run without holding up who awaits them."""

    @property
    def ready(self) -> bool:
        """Say whether a calculation would begin at once."""
        ...

    @property
    def load(self) -> dict[str, tuple[int, int]]:
        """How many calculations run and wait, by lane."""
        ...

    async def run(self, work: Work, body: bytes) -> bytes:
        """
        Give the reply to a request.

        Raises
        ------
        RefusalError
            what the work raises, or that there is no room for it now.
        """
        ...


class InThreads:
    """Calculations in threads of this process: for an app that no server starts and stops."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        # One calculation a core: more at once would only make each of them slower.
        self._limiter = anyio.CapacityLimiter(os.cpu_count() or 1)

    @property
    def ready(self) -> bool:
        """Threads are there at once."""
        return True

    @property
    def load(self) -> dict[str, tuple[int, int]]:
        """How many calculations run and wait; there is one lane."""
        now = self._limiter.statistics()
        return {"threads": (now.borrowed_tokens, now.tasks_waiting)}

    async def run(self, work: Work, body: bytes) -> bytes:
        """Give the reply to a request, once a thread is free."""
        return await anyio.to_thread.run_sync(work, body, self._settings, limiter=self._limiter)


class Misplaced(Exception):
    """The calculation is too large for the lane that it is in."""


class _Here:
    """How large a calculation may be in this process; any size where nothing is said."""

    most_quantities: int | None = None


def allow_here(most_quantities: int | None) -> None:
    """Set how many quantities one calculation of this process may have; None is any number."""
    _Here.most_quantities = most_quantities


def weigh(quantities: int) -> None:
    """
    Say how many quantities a calculation has, before it is begun.

    Raises
    ------
    Misplaced
        if they are too many for the lane of this process; it is begun again in the other.
    """
    if _Here.most_quantities is not None and quantities > _Here.most_quantities:
        raise Misplaced
