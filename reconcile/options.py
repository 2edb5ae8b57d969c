"""What a caller may choose about a calculation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Robust(StrEnum):
    """How a reading that does not fit counts."""

    NONE = "none"
    HUBER = "huber"
    """Linear beyond 1.345 sd (Huber 1964): 95 % as efficient as least squares on normal errors."""
    BISQUARE = "bisquare"
    """Nothing beyond 4.685 sd (Beaton and Tukey 1974), started from Huber; not convex."""


@dataclass(frozen=True, slots=True)
class Options:
    """
    Limits of one calculation.

    ``time_budget_s`` seconds and ``memory_budget_mb`` megabytes of factors; going over either is
    a named outcome.  ``max_iterations`` Newton steps: good data need four to ten.  ``robust``
    chooses how much a reading counts that does not fit.
    """

    time_budget_s: float = 60.0
    memory_budget_mb: float = 2000.0
    max_iterations: int = 100
    robust: Robust = Robust.NONE
