"""What is asked of a sampling plan, and what it says, by name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from reconcile.balance import Balance
from reconcile.measurands import Measurand


class Kind(StrEnum):
    """What a prospect is to the readings at hand."""

    ADDITION = "addition"
    REPEAT = "repeat"
    IMPROVEMENT = "improvement"


class Method(StrEnum):
    """How a plan was chosen; the first two leave none better within the budget."""

    EXHAUSTIVE = "exhaustive"
    BRANCHED = "branch and bound"
    EXCHANGE = "relaxation, rounding and exchange"
    GREEDY = "greedy and exchange"

    @property
    def is_proof(self) -> bool:
        """Whether no plan within the budget is better."""
        return self in (Method.EXHAUSTIVE, Method.BRANCHED)


@dataclass(frozen=True, slots=True)
class Prospect:
    """
    A reading that could be taken.

    Its own sd is ``sd`` and ``relative_sd`` times the value expected, in squares; with ``reading``,
    the position of one at hand, it repeats that one, sd and causes included, or improves it where
    ``narrowed`` gives the share of its own sd that is left.  ``cost`` is in any one unit; up to
    ``most`` of it can be taken, each with an error of its own.  ``origin`` says where the sd comes
    from.
    """

    streams: tuple[str, ...]
    of: Measurand
    sd: float = 0.0
    relative_sd: float = 0.0
    causes: tuple[tuple[str, float], ...] = ()
    cost: float = 1.0
    most: int = 1
    reading: int | None = None
    narrowed: float | None = None
    origin: str = "stated"

    @property
    def kind(self) -> Kind:
        """What it is to the readings at hand."""
        if self.reading is None:
            return Kind.ADDITION
        return Kind.REPEAT if self.narrowed is None else Kind.IMPROVEMENT


@dataclass(frozen=True, slots=True)
class Target:
    """
    A figure that is to be known better.

    What ``of`` measures in ``streams`` together or, with ``of_feed``, the share of the feed of a
    quantity (the solids: the yield; a component: the recovery) that they hold.  ``wanted_sd`` is
    the sd wished for, in its unit; shares and assays are fractions.
    """

    streams: tuple[str, ...]
    of: str | Measurand
    of_feed: bool = False
    wanted_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Detection:
    """
    Power to find a bias of any one reading.

    ``readings`` are the positions of those tested, ``bias`` a fraction of the value, ``level`` the
    chance of any false alarm over all of them, ``power`` that wished for.  A plan raises the least
    power or, ``by_number``, the number of readings that reach the one wished for.
    """

    readings: tuple[int, ...]
    bias: float = 0.10
    level: float = 0.05
    power: float = 0.90
    by_number: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """
    What is to be planned: either ``targets`` or ``detection``.

    ``expectations`` are positions of readings that only say what to expect, as a design does: they
    set the point but inform about nothing.
    """

    prospects: tuple[Prospect, ...]
    budget: float
    targets: tuple[Target, ...] = ()
    detection: Detection | None = None
    expectations: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Promise:
    """
    One target: its value, and its sd now and with the plan, ``None`` where it cannot be known.

    The value is ``None`` for a share of nothing; ``sure`` says that it is known, not guessed;
    ``reference`` is the sd that its own is measured by; ``within_reach`` that all prospects
    together make it known.
    """

    value: float | None
    sure: bool
    before: float | None
    after: float | None
    reference: float
    within_reach: bool


@dataclass(frozen=True, slots=True)
class Check:
    """
    One reading at hand: the power to find a bias of it, now and with the plan.

    ``smallest`` are the least biases found with the power wished for, in its unit; ``None`` where
    nothing checks it.
    """

    reading: int
    bias: float
    before: float
    after: float
    smallest_before: float | None
    smallest_after: float | None


@dataclass(frozen=True, slots=True)
class Precision:
    """
    How good a state is: the lower the better.

    ``unknown`` targets; ``index`` the root mean square of the sds of the rest over their
    references.  For detection ``index`` is one less the least power and ``mean`` one less the mean,
    over the readings that prospects can check, of which so many ``reached`` the power wished for.
    """

    unknown: int
    index: float
    mean: float = 0.0
    reached: int = 0


@dataclass(frozen=True, slots=True)
class Worth:
    """
    What one prospect alone would bring.

    ``expected`` is the value it would read, and ``sure`` whether that is known; ``sd`` its own.
    ``after`` are the sds of the targets, ``None`` where still unknown; ``opens`` the number of
    targets that become known; ``gain`` the fall of the index, ``None`` where that number changes
    what it is taken over.
    """

    prospect: int
    expected: float
    sure: bool
    sd: float
    after: tuple[float | None, ...]
    state: Precision
    gain: float | None
    opens: int


@dataclass(frozen=True, slots=True)
class Step:
    """A reading of the plan in the order of taking, and the state once it is taken."""

    prospect: int
    after: tuple[float | None, ...]
    state: Precision


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """
    A plan, what it promises, and what is certain about it.

    ``worths`` are in the order of gain per cost; ``unusable`` are prospects over streams that carry
    nothing, or without an error.
    ``bound`` is an index that no plan within the budget can pass (of a plan ``by_number``, a number
    of readings reached), ``None`` where none is known.  With ``failure`` set there was no balance
    to plan upon.
    """

    promises: tuple[Promise, ...] = ()
    checks: tuple[Check, ...] = ()
    worths: tuple[Worth, ...] = ()
    unusable: tuple[int, ...] = ()
    steps: tuple[Step, ...] = ()
    cost: float = 0.0
    before: Precision = Precision(0, 0.0)
    after: Precision = Precision(0, 0.0)
    bound: float | None = None
    method: Method = Method.EXHAUSTIVE
    failure: Balance | None = None

    def with_promises(self, promises: tuple[Promise, ...]) -> SamplingPlan:
        """Give the same with what becomes of the targets."""
        return replace(self, promises=promises)

    def with_checks(self, checks: tuple[Check, ...]) -> SamplingPlan:
        """Give the same with what becomes of the readings tested."""
        return replace(self, checks=checks)
