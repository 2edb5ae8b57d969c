"""Time and memory a solve may use."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field

from .compiled import seconds_of_compiling


class OverBudget(RuntimeError):
    """The solve would exceed its time or memory; the message says which and by how much."""


def _clock() -> float:
    """Give the time without that in which loops were compiled, once for an installation."""
    return time.perf_counter() - seconds_of_compiling()


@dataclass(frozen=True)
class Budget:
    """Limits of one solve: ``seconds`` from its making, ``megabytes`` for its factors."""

    seconds: float
    megabytes: float
    started: float = field(default_factory=_clock)

    def check(self) -> None:
        """
        Stop if the time is up.

        Raises
        ------
        OverBudget
        """
        spent = _clock() - self.started
        if spent > self.seconds:
            raise OverBudget(f"time: {spent:.2f} s spent of {self.seconds:g} s allowed")

    @property
    def left(self) -> float:
        """Seconds left, at least zero."""
        return max(self.seconds - (_clock() - self.started), 0.0)

    def reserve(self, megabytes: float, purpose: str) -> None:
        """
        Stop if a piece of work needs more memory than is allowed.

        Raises
        ------
        OverBudget
        """
        if megabytes > self.megabytes:
            raise OverBudget(
                f"memory: {purpose} needs about {megabytes:.0f} MB of {self.megabytes:g} MB allowed"
            )


_IN_HAND: ContextVar[Budget] = ContextVar("budget of the calculation in hand")


@contextmanager
def spending(budget: Budget) -> Iterator[None]:
    """Let what is worked out meanwhile, in plans that outlive the calculation, count here."""
    token = _IN_HAND.set(budget)
    try:
        yield
    finally:
        _IN_HAND.reset(token)


def in_hand() -> Budget:
    """Give the budget of the calculation in hand; without one there is no limit."""
    return _IN_HAND.get(Budget(float("inf"), float("inf")))
