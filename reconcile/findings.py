"""What the evidence says about one balance: tests, findings, and what each would change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING, Any

from .later import Listed

if TYPE_CHECKING:
    from .balance import Known
    from .flowsheet import Quantity
    from .kernel.problem import Floats
    from .measurands import Measurand


class Suspicion(StrEnum):
    """What may be wrong."""

    READING = "reading"
    """One reading is off by more than its error."""
    SHARED_ERROR = "shared error"
    """An error that several readings share is larger than stated."""
    CONTENT = "content"
    """The stated content of a mineral is off by more than its error."""
    LEAK = "leak"
    """Material of the composition that enters a node is lost there, or added (a negative size)."""
    WATER_LEAK = "water leak"
    """Water alone is lost at a node, or added."""
    EXCHANGE = "exchange"
    """Values stand in each other's place: bags, trays or components exchanged."""


class Exchanged(StrEnum):
    """What was exchanged."""

    VALUES = "values"
    """One quantity of two streams."""
    SAMPLES = "samples"
    """All assays of two streams: their bags."""
    TRAYS = "trays"
    """The mass and all assays of two streams: their trays."""
    COMPONENTS = "components"
    """Two assays of one stream."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """
    One thing that may be wrong.

    ``readings`` are positions in the order given: the one that is off, or those exchanged, first
    with second, third with fourth and so on.  ``of`` names a shared error (name,) or a content
    (mineral, analyte); ``node`` is where material is lost; ``exchanged`` is what was exchanged.
    """

    suspicion: Suspicion
    readings: tuple[int, ...] = ()
    node: str | None = None
    of: tuple[str, ...] = ()
    exchanged: Exchanged | None = None


@dataclass(frozen=True, slots=True)
class HypothesisTest:
    """
    The test of one hypothesis against none.

    ``size`` ± ``sd`` is the estimate of the error: for a reading in its unit, what it reads too
    high; for a shared error in its own standard deviations; for a leak the mass that is lost.
    ``statistic`` is size over sd, standard normal where nothing is wrong; its square is the
    generalised likelihood ratio, for a reading the maximum-power form of the adjustment test.
    ``adjusted`` is the p-value with all tests of its kind taken into account.
    """

    hypothesis: Hypothesis
    size: float | None
    sd: float | None
    statistic: float
    p_value: float
    adjusted: float


@dataclass(frozen=True, slots=True)
class NodeTest:
    """
    The test of what readings around ``nodes`` say by themselves of one quantity.

    ``imbalance`` is what is read to enter less what is read to leave, ± ``sd``.
    """

    nodes: tuple[str, ...]
    of: Quantity
    imbalance: float
    sd: float
    statistic: float
    p_value: float
    adjusted: float


Concerned = Hypothesis | tuple[tuple[str, ...], "Quantity"]
"""What a test is of: a hypothesis, or a quantity at nodes."""

SIZE, SIZE_SD, STATISTIC, P_VALUE, ADJUSTED = range(5)
"""Rows of the numbers of tests."""


class Tried(Listed["HypothesisTest | NodeTest"]):
    """
    Tests of one kind; their objects are made when one is looked up.

    ``of`` says what each is of; ``numbers`` (5, tests) are size or imbalance, its sd, statistic,
    p-value and adjusted p-value.  Where they are not ``sized`` the first two say nothing.
    """

    __slots__ = ("numbers", "of", "sized")

    def __init__(self, of: Sequence[Concerned], numbers: Floats, *, sized: bool = True) -> None:
        super().__init__(partial(_tests, of, numbers, sized=sized))
        self.of = of
        self.numbers = numbers
        self.sized = sized

    def __reduce__(self) -> tuple[Any, ...]:
        """Let them be copied and sent whole."""
        return partial(Tried, sized=self.sized), (self.of, self.numbers)


def _tests(
    of: Sequence[Concerned], numbers: Floats, *, sized: bool
) -> list[HypothesisTest | NodeTest]:
    result: list[HypothesisTest | NodeTest] = []
    for one, (size, sd, *rest) in zip(of, numbers.T.tolist(), strict=True):
        if isinstance(one, Hypothesis):
            known = (size, sd) if sized else (None, None)
            result.append(HypothesisTest(one, *known, *rest))
        else:
            result.append(NodeTest(*one, size, sd, *rest))
    return result


@dataclass(frozen=True, slots=True)
class Family:
    """
    All tests of one kind.

    ``count`` is how many there are; ``critical`` the size of a statistic from which one is
    significant with all of them taken into account, ``alone`` for a single one.
    """

    count: int
    critical: float
    alone: float
    tests: Tried


@dataclass(frozen=True, slots=True)
class Explanation:
    """
    One explanation of what was found, all other findings estimated beside it.

    ``angle`` is between its signature and that of the finding's first explanation, in degrees;
    ``alike`` says that it is within the stated one, so that no size of error tells them apart.
    ``probability`` is that of this explanation, given that there is one error more and that it is
    one of those tried.
    """

    test: HypothesisTest
    angle: float
    alike: bool
    probability: float


@dataclass(frozen=True, slots=True)
class Telling:
    """
    A further reading that would tell explanations apart.

    ``repeats`` says that it was read already; ``separation`` is by how many standard deviations
    the explanations differ in what it should read: the least over the pairs of them that it tells
    apart, which are all of them if it is ``complete``.
    """

    stream: str
    of: Measurand
    repeats: bool
    separation: float
    complete: bool


@dataclass(frozen=True, slots=True)
class Finding:
    """
    Something that cannot be true: one of ``explanations``, the most probable first.

    ``p_value`` and ``adjusted`` are those of the first, every kind of test taken into account.
    ``telling`` are readings that would tell the explanations apart; with one alone, from the next
    most probable, ``beside``.
    """

    explanations: tuple[Explanation, ...]
    p_value: float
    adjusted: float
    telling: tuple[Telling, ...]
    beside: Hypothesis | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """A yield or a recovery to a product before and after a decision."""

    stream: str
    of: Quantity
    before: Known
    after: Known


@dataclass(frozen=True, slots=True)
class Decision:
    """
    What the balance would be if a suspicion were taken for true.

    ``hypotheses`` are those taken for true together.  ``balanced_anew`` says whether everything
    was balanced anew, otherwise the figures are to first order.  ``statistic``, ``degrees`` and
    ``p_value`` are those of the global test then.
    """

    hypotheses: tuple[Hypothesis, ...]
    balanced_anew: bool
    figures: tuple[Figure, ...]
    statistic: float | None
    degrees: int | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class Evidence:
    """
    What the readings and the balances say about what may be wrong.

    ``reference`` says which distribution the p-values refer to, or why there are none; without
    one everything else is empty.  ``level`` is the chance of a false finding; ``critical`` the
    statistic from which the global test is significant at it.  ``nodes`` and ``groups`` test the
    imbalances at nodes and at joined nodes.  ``discounted`` are the readings (positions) that a
    robust fit counts less than half, if anything was found.  ``left_untried`` says in words what
    was not tried, and why.
    """

    reference: str
    level: float
    critical: float | None = None
    readings: Family | None = None
    shared: Family | None = None
    leaks: Family | None = None
    exchanges: Family | None = None
    nodes: Family | None = None
    groups: Family | None = None
    findings: tuple[Finding, ...] = ()
    decisions: tuple[Decision, ...] = ()
    discounted: tuple[int, ...] | None = None
    left_untried: tuple[str, ...] = ()
