"""Evidence of a reply: what may be wrong, how sure that is, and what each decision would do."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.kit.replies import Out

Kind = Literal["reading", "shared error", "content", "leak", "water leak", "exchange"]

_SUSPECT_EXAMPLE: dict[str, Any] = {
    "kind": "reading",
    "name": "Sn of 'mag 2'",
    "readings": ["/readings/7"],
    "node": None,
    "period": None,
}
_TEST_EXAMPLE: dict[str, Any] = {
    "suspect": _SUSPECT_EXAMPLE,
    "size": 0.6,
    "sd": 0.18,
    "unit": "%",
    "statistic": 3.4,
    "p_value": 0.0007,
    "adjusted": 0.02,
}
_FAMILY_EXAMPLE: dict[str, Any] = {
    "count": 24,
    "critical": 3.07,
    "alone": 1.96,
    "tests": [_TEST_EXAMPLE],
}
_NODE_EXAMPLE: dict[str, Any] = {
    "nodes": ["stage 2"],
    "of": "mass",
    "imbalance": 3.1,
    "sd": 1.4,
    "unit": "g",
    "statistic": 2.2,
    "p_value": 0.03,
    "adjusted": 0.2,
}
_FIGURE_EXAMPLE: dict[str, Any] = {
    "figure": "recovery of Sn to 'mag 1'",
    "before": 84.1,
    "before_sd": 0.4,
    "after": 86.9,
    "after_sd": 0.5,
}
_SENTENCE = (
    "The Sn assay of 'mag 2' is 3.4 sd above what the other readings allow, about 1.9 % too high "
    "(32.20 read, 31.60 ± 0.18 expected)."
)
_P_TEXT = "Probability of a statistic so large or larger where nothing is wrong."


class Suspect(Out):
    """What may be wrong."""

    kind: Kind = Field(
        description="'reading' (off by more than its error), 'shared error' (larger than stated), "
        "'content' (of a mineral), 'leak' (what enters a node is lost there, or added), 'water "
        "leak' (water alone), 'exchange' (values stand in each other's place).",
        examples=["reading"],
    )
    name: str = Field(description="It in words.", examples=["Sn of 'mag 2'"])
    readings: list[str] = Field(
        description="The readings concerned, as JSON pointers; of an exchange the first with the "
        "second, the third with the fourth and so on.",
        examples=[["/readings/7"]],
    )
    node: str | None = Field(description="The node of a leak.", examples=["stage 2"])
    period: str | None = Field(description="Its period, if it has one.", examples=["shift 1"])


class SuspectTest(Out):
    """The test of one suspicion against nothing being wrong."""

    suspect: Suspect = Field(description="What is suspected.", examples=[_SUSPECT_EXAMPLE])
    size: float | None = Field(
        description="Estimate of the error in 'unit': what is read too high, what is lost; null "
        "for an exchange.",
        examples=[0.6],
    )
    sd: float | None = Field(description="Its standard deviation.", examples=[0.18])
    unit: str | None = Field(
        description="Unit of size and sd; 'sd' for a shared error.", examples=["%"]
    )
    statistic: float = Field(
        description="Size over sd, the maximum-power form of the adjustment test; its square is "
        "the generalised likelihood ratio. Standard normal where nothing is wrong.",
        examples=[3.4],
    )
    p_value: float = Field(description=_P_TEXT, examples=[0.0007])
    adjusted: float = Field(
        description="The p-value with all tests taken into account.", examples=[0.02]
    )


class ImbalanceTest(Out):
    """What the readings around nodes say by themselves of one quantity."""

    nodes: list[str] = Field(
        description="The node, or nodes taken together.", examples=[["stage 2"]]
    )
    of: str = Field(description="'mass', 'water' or the name of a component.", examples=["mass"])
    imbalance: float = Field(
        description="What is read to enter less what is read to leave, in 'unit'.", examples=[3.1]
    )
    sd: float = Field(description="Its standard deviation.", examples=[1.4])
    unit: str | None = Field(description="The flowsheet's mass unit.", examples=["g"])
    statistic: float = Field(
        description="Imbalance over sd, standard normal where nothing is wrong.", examples=[2.2]
    )
    p_value: float = Field(description=_P_TEXT, examples=[0.03])
    adjusted: float = Field(
        description="The p-value with all tests of the kind taken into account.", examples=[0.2]
    )


class _Family(Out):
    count: int = Field(description="How many tests of the kind there are.", examples=[24])
    critical: float | None = Field(
        description="Size of a statistic from which a test is significant with all of the kind "
        "taken into account; null where there is none.",
        examples=[3.07],
    )
    alone: float = Field(description="The same for one test that stood alone.", examples=[1.96])


class SuspectFamily(_Family):
    """All tests of one kind of suspicion, the largest statistic first."""

    tests: list[SuspectTest] = Field(
        description="The tests, as many as are to be listed.", examples=[[_TEST_EXAMPLE]]
    )


class ImbalanceFamily(_Family):
    """The tests of imbalances, the largest statistic first."""

    tests: list[ImbalanceTest] = Field(
        description="The tests, as many as are to be listed.", examples=[[_NODE_EXAMPLE]]
    )


class Explanation(SuspectTest):
    """One explanation of a finding, all other findings estimated beside it."""

    statement: str = Field(description="The explanation in words.", examples=[_SENTENCE])
    angle: float = Field(
        description="Angle in degrees between its signature and that of the first explanation.",
        examples=[0.0],
    )
    alike: bool = Field(
        description="Whether that is within the stated angle: the readings cannot tell the two "
        "apart.",
        examples=[True],
    )
    probability: float = Field(
        description="Probability in % of this explanation, given that there is one more error "
        "and it is one of those tried.",
        examples=[91.0],
    )


class TellingReading(Out):
    """A further reading that would tell explanations apart."""

    reading: str = Field(description="What to read.", examples=["mass of 'rest 1'"])
    repeats: bool = Field(
        description="Whether it was read already and is to be read again.", examples=[False]
    )
    separation: float = Field(
        description="By how many standard deviations the explanations differ in what it should "
        "read, the least over the pairs that it tells apart.",
        examples=[4.1],
    )
    complete: bool = Field(
        description="Whether it tells every explanation from every other.", examples=[True]
    )


class Finding(Out):
    """Something that cannot be true."""

    statement: str = Field(
        description="The finding in words, with what to do next.", examples=[_SENTENCE]
    )
    explanations: list[Explanation] = Field(
        description="What may be behind it, the most probable first. Several that are 'alike' "
        "are one finding: one of them.",
        examples=[
            [
                _TEST_EXAMPLE
                | {"statement": _SENTENCE, "angle": 0.0, "alike": True, "probability": 91.0}
            ]
        ],
    )
    p_value: float = Field(description=_P_TEXT, examples=[0.0007])
    adjusted: float = Field(
        description="The same with the tests of all kinds taken into account.", examples=[0.03]
    )
    telling: list[TellingReading] = Field(
        description="What to read, or to read again, to tell the explanations apart; the first "
        "alone with the next most probable.",
        examples=[
            [
                {
                    "reading": "mass of 'rest 1'",
                    "repeats": False,
                    "separation": 4.1,
                    "complete": True,
                }
            ]
        ],
    )


class DecidedFigure(Out):
    """A yield or a recovery to a product before and after a decision, in %."""

    figure: str = Field(description="What the figure is.", examples=["recovery of Sn to 'mag 1'"])
    before: float | None = Field(description="As the balance stands.", examples=[84.1])
    before_sd: float | None = Field(description="Its standard deviation.", examples=[0.4])
    after: float | None = Field(
        description="After the decision; null where it could then not be known.", examples=[86.9]
    )
    after_sd: float | None = Field(description="Its standard deviation.", examples=[0.5])


class Decision(Out):
    """What the balance would be if a suspicion were taken for true; nothing is decided here."""

    statement: str = Field(
        description="The decision and what it does to the figures that matter, in words.",
        examples=["Without Sn of 'mag 2': recovery of Sn to 'mag 1' 84.1 -> 86.9 %."],
    )
    suspects: list[Suspect] = Field(
        description="What is taken for true, together: a reading is left out, an exchange undone, "
        "a leak or a shared error estimated.",
        examples=[[_SUSPECT_EXAMPLE]],
    )
    balanced_anew: bool = Field(
        description="Whether all was balanced anew; otherwise the figures are to first order.",
        examples=[True],
    )
    figures: list[DecidedFigure] = Field(
        description="Yields of the products and recoveries to them, before and after.",
        examples=[[_FIGURE_EXAMPLE]],
    )
    statistic: float | None = Field(
        description="Statistic of the global test after the decision.", examples=[4.4]
    )
    degrees_of_freedom: int | None = Field(description="Its degrees of freedom.", examples=[5])
    p_value: float | None = Field(description="Its p-value.", examples=[0.49])


class GlobalCritical(Out):
    """The global test at the level of the evidence."""

    statistic: float = Field(description="The statistic of 'test'.", examples=[16.7])
    degrees_of_freedom: int = Field(description="Its degrees of freedom.", examples=[4])
    critical: float = Field(
        description="Value beyond which it is significant at the level.", examples=[9.49]
    )


class PriorUsed(Out):
    """How probable each kind of error was taken to be beforehand."""

    reading: float = Field(description="A reading or what readings share.", examples=[0.6])
    leak: float = Field(description="A leak or an addition.", examples=[0.2])
    exchange: float = Field(description="An exchange.", examples=[0.2])
    size_of_reading: str = Field(
        description="How large an error of a reading is thought to be.",
        examples=["normal about zero, 10 sd of the reading"],
    )
    size_of_leak: str = Field(
        description="How large a leak is thought to be.",
        examples=["normal about zero, 10 % of what enters the node"],
    )


class Evidence(Out):
    """What the readings and the balances say about what may be wrong."""

    reference: str = Field(
        description="The distribution that the p-values refer to and what qualifies it; or why "
        "there are no tests.",
        examples=["standard normal for each test"],
    )
    level: float = Field(description="The level of the tests.", examples=[0.05])
    control: str = Field(
        description="What is held at the level when many tests are made.", examples=["sidak"]
    )
    angle: float = Field(
        description="Angle in degrees within which explanations are alike.", examples=[5.0]
    )
    prior: PriorUsed = Field(
        description="What probabilities rest on.",
        examples=[{"reading": 0.6, "leak": 0.2, "exchange": 0.2}],
    )
    statements: list[str] = Field(
        description="All of it in sentences: what was found, how a robust fit sees it, what was "
        "not tried.",
        examples=[["Nothing that is read contradicts the rest at the level of 5 %."]],
    )
    findings: list[Finding] = Field(
        description="What cannot be true, one error after the other, each with all others "
        "estimated beside it.",
        examples=[[]],
    )
    decisions: list[Decision] = Field(
        description="What taking each for true would do, and all together. None is taken: to "
        "leave a reading out, say so in the request.",
        examples=[[]],
    )
    discounted: list[str] | None = Field(
        description="The readings that a robust fit (Huber) counts less than half, as JSON "
        "pointers: a second opinion. Null where nothing was found.",
        examples=[["/readings/7"]],
    )
    global_test: GlobalCritical | None = Field(
        description="The global test and its critical value.",
        examples=[{"statistic": 16.7, "degrees_of_freedom": 4, "critical": 9.49}],
    )
    readings: SuspectFamily | None = Field(
        description="The tests of single readings.", examples=[_FAMILY_EXAMPLE]
    )
    shared: SuspectFamily | None = Field(
        description="The tests of shared errors and of contents.", examples=[_FAMILY_EXAMPLE]
    )
    leaks: SuspectFamily | None = Field(
        description="The tests of leaks and additions.", examples=[_FAMILY_EXAMPLE]
    )
    exchanges: SuspectFamily | None = Field(
        description="The tests of exchanges.", examples=[_FAMILY_EXAMPLE]
    )
    nodes: ImbalanceFamily | None = Field(
        description="The imbalances at nodes, from the readings around each.",
        examples=[_FAMILY_EXAMPLE | {"tests": [_NODE_EXAMPLE]}],
    )
    groups: ImbalanceFamily | None = Field(
        description="The imbalances of neighbouring nodes taken together.",
        examples=[_FAMILY_EXAMPLE | {"tests": [_NODE_EXAMPLE]}],
    )
