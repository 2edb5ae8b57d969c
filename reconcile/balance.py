"""The result: what a reconciliation gives back, by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from .findings import Evidence
from .flowsheet import Part, Quantity
from .measurands import Measurand

if TYPE_CHECKING:
    from .columns import ListedColumns, NamedColumns, Own


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


class Known(NamedTuple):
    """A value that follows from the balance; ``None`` where it cannot be known."""

    value: float | None
    sd: float | None
    knowledge: Knowledge


class Estimate(NamedTuple):
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


class Read(NamedTuple):
    """
    What came out for one reading, in the unit of the reading.

    ``value`` is the reconciled value of what was read, free of shared errors; ``adjustment`` is it
    minus the reading; ``standardised`` the adjustment over its own standard deviation, shared
    errors included; ``weight`` is one, or less where a robust loss or a limit discounts the
    reading.
    """

    value: float | None
    sd: float | None
    knowledge: Knowledge
    adjustment: float | None
    standardised: float | None
    weight: float


@dataclass(frozen=True, slots=True)
class SharedError:
    """Estimate of a named shared cause, in its own standard deviations: prior 0 ± 1."""

    name: str
    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class ActiveBound:
    """
    A physical bound that holds an estimate.

    ``"zero"``, ``"whole"`` (a part is all of what contains it) or ``"order"`` (no richer than a
    stream that it was said to be at least as rich as).
    """

    stream: str
    of: Quantity
    bound: str


@dataclass(frozen=True, slots=True)
class Imbalance:
    """The worst node of one quantity; ``relative`` is to the throughput of that quantity."""

    of: Quantity
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
class Wanted:
    """A quantity: ``"mass"``, ``"assay"`` or ``"recovery"`` of something in a stream."""

    kind: str
    stream: str
    of: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reading that could be taken."""

    stream: str
    of: Measurand


@dataclass(frozen=True, slots=True)
class Remedy:
    """
    Unobservable quantities that the same further readings make known.

    Each of ``sets`` is enough by itself; ``exact`` says that no smaller set exists, otherwise no
    reading of a set can be left out.
    """

    wanted: tuple[Wanted, ...]
    sets: tuple[tuple[Candidate, ...], ...]
    exact: bool


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another optimum met: its objective, and the readings (positions) that it discounts."""

    objective: float
    discounted: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """
    A reconciled balance.

    ``masses`` by stream; ``assays`` and ``component_masses`` by (stream, component); ``yields``
    by stream, of the total feed; ``recoveries`` by (stream, quantity), of the quantity's total
    feed; ``splits`` by (stream, quantity) for every stream that leaves a node which conserves the
    quantity: its share of what enters that node.

    Where they are followed: ``amounts`` of water and of parts by size class; ``moistures`` by
    stream, on wet mass; ``fractions`` of the solids and ``class_assays`` of the components by
    (stream, part); ``analytes`` by (stream, analyte); ``contents`` of minerals by (mineral,
    analyte); ``shared`` errors.  ``remedies`` say what to read for what is unobservable.
    ``readings`` are in the order given.  ``evidence`` is there if it was asked for.  With
    ``failure`` set all of these are empty.

    The first six tables are made of ``followed``, all that follows from the balance, and of
    ``own``, what was read of masses and assays for itself; each says by its ``positions`` where its
    quantities stand there.  Whoever wants all has ``followed`` and ``readings`` as arrays, by their
    ``columns``; objects are made when one is first looked up.  Nothing of it changes.
    """

    outcome: Outcome
    masses: NamedColumns[str, Estimate]
    assays: NamedColumns[tuple[str, str], Estimate]
    component_masses: NamedColumns[tuple[str, str], Known]
    yields: NamedColumns[str, Known]
    recoveries: NamedColumns[tuple[str, Quantity], Known]
    splits: NamedColumns[tuple[str, Quantity], Known]
    readings: ListedColumns[Read]
    followed: ListedColumns[Known]
    own: Own
    closure: tuple[Imbalance, ...]
    test: GlobalTest | None
    active_bounds: tuple[ActiveBound, ...]
    warnings: tuple[str, ...]
    iterations: int
    kkt_residual: float
    failure: Failure | None = None
    amounts: Mapping[tuple[str, Quantity], Known] = field(default_factory=dict)
    moistures: Mapping[str, Known] = field(default_factory=dict)
    fractions: Mapping[tuple[str, Part], Known] = field(default_factory=dict)
    class_assays: Mapping[tuple[str, Part], Known] = field(default_factory=dict)
    analytes: Mapping[tuple[str, str], Known] = field(default_factory=dict)
    contents: Mapping[tuple[str, str], Estimate] = field(default_factory=dict)
    shared: tuple[SharedError, ...] = ()
    alternative: Alternative | None = None
    remedies: tuple[Remedy, ...] = ()
    evidence: Evidence | None = None
