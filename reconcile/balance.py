"""The result: what a reconciliation gives back, by name."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """How a reconciliation ended; only the first two carry numbers."""

    CLOSED = "closed"
    CLOSED_WITH_ACTIVE_BOUNDS = "closed with active bounds"
    CONTRADICTORY = "contradictory fixed values"
    NOT_CONVERGED = "not converged"
    OVER_BUDGET = "over budget"


class Knowledge(StrEnum):
    """What the readings and the balances together say about one quantity."""

    REDUNDANT = "redundant"
    NONREDUNDANT = "nonredundant"
    OBSERVABLE = "observable"
    UNOBSERVABLE = "unobservable"
    UNDEFINED = "undefined"
    """A ratio over a stream (or feed) whose reconciled amount is zero."""


@dataclass(frozen=True, slots=True)
class Known:
    """A value that follows from the balance; ``None`` where it cannot be known."""

    value: float | None
    sd: float | None
    knowledge: Knowledge


@dataclass(frozen=True, slots=True)
class Estimate:
    """
    One mass, assay or component mass: what was read and what came out.

    ``adjustment`` is reconciled minus reading; ``standardised`` is the adjustment over its own
    standard deviation (standard normal if the stated errors are right), ``None`` for a
    nonredundant or fixed reading.
    """

    value: float | None
    sd: float | None
    knowledge: Knowledge
    reading: float | None = None
    reading_sd: float | None = None
    adjustment: float | None = None
    standardised: float | None = None


@dataclass(frozen=True, slots=True)
class ActiveBound:
    """A physical bound that holds an estimate: ``"zero"`` or ``"whole"`` (component = solids)."""

    stream: str
    of: str
    bound: str


@dataclass(frozen=True, slots=True)
class Imbalance:
    """The worst node of one quantity; ``relative`` is to the throughput of that quantity."""

    of: str
    node: str
    imbalance: float
    throughput: float
    relative: float


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """
    Chi-square test of all adjustments together.

    ``p_value`` is ``None`` without redundancy (``degrees_of_freedom`` 0); ``reference`` says in
    words which distribution it refers to and what qualifies it.
    """

    statistic: float
    degrees_of_freedom: int
    p_value: float | None
    reference: str


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no balance: the nodes and readings concerned and the likely reason."""

    nodes: tuple[str, ...]
    reason: str
    readings: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Balance:
    """
    A reconciled balance.

    ``masses`` by stream; ``assays`` and ``component_masses`` by (stream, component); ``yields``
    by stream, of the total feed; ``recoveries`` by (stream, component), of the component's
    total feed; ``splits`` by (stream, quantity) for every stream that leaves a node: its share
    of what enters that node.  With ``failure`` set all of these are empty.
    """

    outcome: Outcome
    masses: dict[str, Estimate]
    assays: dict[tuple[str, str], Estimate]
    component_masses: dict[tuple[str, str], Known]
    yields: dict[str, Known]
    recoveries: dict[tuple[str, str], Known]
    splits: dict[tuple[str, str], Known]
    closure: tuple[Imbalance, ...]
    test: GlobalTest | None
    active_bounds: tuple[ActiveBound, ...]
    warnings: tuple[str, ...]
    iterations: int
    kkt_residual: float
    failure: Failure | None = None
