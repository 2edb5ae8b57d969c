"""What a caller may choose about a calculation."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Options:
    """
    Limits of one calculation.

    ``time_budget_s`` seconds and ``memory_budget_mb`` megabytes of factors; going over either is
    a named outcome.  ``max_iterations`` Newton steps: good data need four to ten.
    """

    time_budget_s: float = 60.0
    memory_budget_mb: float = 2000.0
    max_iterations: int = 100
