"""Whether the service can do its work now: what has to hold, by name, without any detail."""

from __future__ import annotations

from collections.abc import Callable

import anyio.to_thread
import structlog

Check = Callable[[], bool]
"""Says whether one thing holds; may take its time, since it is asked in a thread."""


_log = structlog.stdlib.get_logger("evenlode")


class Readiness:
    """The checks that parts of the service have put in, in that order."""

    def __init__(self) -> None:
        self._checks: dict[str, Check] = {}

    def add(self, name: str, check: Check) -> None:
        """Demand that something holds; a check that fails by an exception does not hold."""
        self._checks[name] = check

    async def findings(self) -> dict[str, bool]:
        """Ask every check, and give what each said."""
        return {
            name: await anyio.to_thread.run_sync(_holds, check)
            for name, check in self._checks.items()
        }


def _holds(check: Check) -> bool:
    try:
        return check()
    except Exception:  # noqa: BLE001 - whatever it is, the check does not hold
        _log.exception("a check of readiness failed")
        return False
