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


class Control(StrEnum):
    """What is held at the level when many tests are made at once."""

    SIDAK = "sidak"
    """The chance of any false alarm; valid for two-sided normal tests however they depend on one
    another (Sidak 1967)."""
    BONFERRONI = "bonferroni"
    HOLM = "holm"
    """The same, step by step (Holm 1979)."""
    BENJAMINI_HOCHBERG = "benjamini-hochberg"
    """The share of false alarms among all (Benjamini and Hochberg 1995)."""
    BENJAMINI_YEKUTIELI = "benjamini-yekutieli"
    """The same, however the tests depend on one another (Benjamini and Yekutieli 2001)."""


@dataclass(frozen=True, slots=True)
class Prior:
    """
    How probable each kind of error is beforehand, given that there is one.

    Within a kind all errors that can be tried are equally probable.  The size of an error has a
    normal distribution about zero: for readings, shared errors and contents with ``GROSS`` of
    their standard deviations, for leaks with ``LOST`` of what runs through the node (see
    :mod:`reconcile.evidence.odds`).
    """

    reading: float = 0.6
    leak: float = 0.2
    exchange: float = 0.2


@dataclass(frozen=True, slots=True)
class Scrutiny:
    """
    How the evidence of a balance is judged.

    ``level`` is the chance of a false alarm (or their share, as ``control`` says); ``angle`` the
    one in degrees between signatures within which explanations count as alike.
    """

    level: float = 0.05
    control: Control = Control.SIDAK
    angle: float = 5.0
    prior: Prior = Prior()


@dataclass(frozen=True, slots=True)
class Options:
    """
    Limits of one calculation.

    ``time_budget_s`` seconds and ``memory_budget_mb`` megabytes of factors; going over either is
    a named outcome.  ``max_iterations`` Newton steps: good data need four to ten.  ``robust``
    chooses how much a reading counts that does not fit.  ``scrutiny`` asks for the evidence
    about what may be wrong.  Without ``further_starts`` the optimum that the first start leads to
    stands.
    """

    time_budget_s: float = 60.0
    memory_budget_mb: float = 2000.0
    max_iterations: int = 100
    robust: Robust = Robust.NONE
    scrutiny: Scrutiny | None = None
    further_starts: bool = True
