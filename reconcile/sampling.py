"""One sampling plan, one walk: balance what is at hand, then ask what more would buy."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from .balance import Balance
from .engine import walked
from .evidence.sampling import Asking, Question, SamplingPlan, for_detection, for_targets
from .faults import Fault, InvalidInput
from .linearisation import Linearisation
from .options import Options, Robust

if TYPE_CHECKING:
    from .flowsheet import Flowsheet
    from .readings import Reading
    from .solution import Solution

MOST_PROSPECTS = 1000
"""Prospects looked at together at most: their joint covariance then has a million numbers, and a
step of the search takes some milliseconds."""


def sampling_plan(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    question: Question,
    options: Options | None = None,
) -> SamplingPlan:
    """
    Say what further readings would bring, and which of them to take within a budget.

    Everything is that of the balance linearised at its solution: sds after a reading are forecasts,
    and those that rest on values not known yet rest on the start's guess of them.

    Raises
    ------
    InvalidInput
        with every fault of flowsheet and readings, or of the question.
    """
    faults = list(faults_of(question, options or Options()))
    if faults:
        raise InvalidInput(faults)

    def ending(solution: Solution, counted: Sequence[int]) -> SamplingPlan:
        asking = Asking(Linearisation(solution), readings, counted, question)
        if question.detection is None:
            return for_targets(asking)
        return for_detection(asking, question.detection)

    found = walked(flowsheet, readings, options or Options(), ending)
    return SamplingPlan(failure=found) if isinstance(found, Balance) else found


def faults_of(question: Question, options: Options) -> Iterator[Fault]:
    """Give what is wrong with a question, its names aside."""
    if bool(question.targets) is (question.detection is not None):
        yield Fault(
            (),
            "no-single-goal",
            "A plan is either for targets or for the detection of a bias.",
            "Give 'targets' or 'detection', not both.",
        )
    if question.detection is not None and not question.detection.readings:
        yield Fault(
            ("detection",),
            "nothing-to-test",
            "No reading at hand can be tested for a bias.",
            "Give readings with an sd above zero.",
        )
    if question.detection is not None and options.robust is not Robust.NONE:
        yield Fault(
            ("options", "robust"),
            "no-power-of-robust-fit",
            "A robust fit has no reference distribution, hence no power.",
            "Leave 'robust' out, or ask for targets.",
        )
    if len(question.prospects) > MOST_PROSPECTS:
        yield Fault(
            ("candidates",),
            "too-many-candidates",
            f"There are {len(question.prospects)} candidate readings; {MOST_PROSPECTS} are looked "
            "at together at most.",
            "List the candidates, or take streams or quantities out by a cost of null.",
        )
