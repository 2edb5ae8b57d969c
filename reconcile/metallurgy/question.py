"""A balance with what a test engineer asks of it: one walk, one linearisation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.engine import balance_and
from reconcile.kernel.budget import OverBudget

from .hazards import Activities, activities
from .heads import Head, heads
from .performance import Performance, Series, performance

if TYPE_CHECKING:
    from reconcile.balance import Balance
    from reconcile.flowsheet import Flowsheet
    from reconcile.linearisation import Linearisation
    from reconcile.options import Options
    from reconcile.readings import Reading


@dataclass(frozen=True)
class Question:
    """
    What is asked beyond the balance.

    ``series`` for what was separated, one answer each; the activities of ``streams``, with what
    ``counted`` gives for each element (as :func:`~reconcile.metallurgy.hazards.activities` takes
    it).
    """

    series: tuple[Series, ...] = ()
    streams: tuple[str, ...] = ()
    counted: Mapping[str, Mapping[str, float]] | None = None


@dataclass(frozen=True)
class Answer:
    """
    What was asked, ``performances`` and ``heads`` for each series in order.

    ``failure`` says why there is none of it, which never costs the balance.
    """

    performances: tuple[Performance, ...] = ()
    heads: tuple[tuple[Head, ...], ...] = ()
    activities: tuple[Activities, ...] = ()
    failure: str | None = None


def asked_balance(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    question: Question,
    options: Options | None = None,
) -> tuple[Balance, Answer]:
    """
    Reconcile the readings of a flowsheet, and answer a question about the result.

    Raises
    ------
    InvalidInput
        with every fault of flowsheet and readings.
    KeyError
        if the question names what the flowsheet does not have.
    """

    def further(at: Linearisation, counted: Sequence[int]) -> Answer:
        try:
            return _answered(at, readings, counted, question)
        except (OverBudget, np.linalg.LinAlgError) as trouble:
            return Answer(failure=str(trouble))

    balance, answer = balance_and(flowsheet, readings, options, further)
    return balance, answer or Answer(failure="there is no balance")


def _answered(
    at: Linearisation, readings: Sequence[Reading], counted: Sequence[int], question: Question
) -> Answer:
    elements = question.counted or {}
    return Answer(
        tuple(performance(at, series) for series in question.series),
        tuple(heads(at, readings, counted, series.feed) for series in question.series),
        activities(at, question.streams, elements) if any(elements.values()) else (),
    )
