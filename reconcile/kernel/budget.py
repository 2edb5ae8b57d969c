"""Time and memory a solve may use."""

from __future__ import annotations

import time
from dataclasses import dataclass, field


class OverBudget(RuntimeError):
    """The solve would exceed its time or memory; the message says which and by how much."""


@dataclass(frozen=True)
class Budget:
    """Limits of one solve: ``seconds`` from its making, ``megabytes`` for its factors."""

    seconds: float
    megabytes: float
    started: float = field(default_factory=time.perf_counter)

    def check(self) -> None:
        """
        Stop if the time is up.

        Raises
        ------
        OverBudget
        """
        spent = time.perf_counter() - self.started
        if spent > self.seconds:
            raise OverBudget(f"time: {spent:.2f} s spent of {self.seconds:g} s allowed")

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
