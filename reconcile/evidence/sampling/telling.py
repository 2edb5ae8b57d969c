"""What plans of either goal have in common: the search begun, and what came of it told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cmp_to_key
from typing import TYPE_CHECKING

import numpy as np

from .goals import Goal, is_better
from .questions import Method, SamplingPlan, Step, Worth
from .search import Room, Searcher

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats, Ints

    from .asking import Asking
    from .outlook import Outlook

Sds = tuple[float | None, ...]
"""The sds of all targets, ``None`` where unknown; empty where the goal has none."""


@dataclass(frozen=True)
class Chosen:
    """A plan, the index that none within the budget can pass, and how it was found."""

    counts: Ints
    bound: float | None
    method: Method


def searcher_of(asking: Asking, outlook: Outlook, goal: Goal) -> Searcher:
    """Begin the search for a question."""
    costs = np.array([p.cost for p in asking.found], dtype=np.float64)
    room = Room(costs, asking.most, asking.question.budget)
    return Searcher(outlook, goal, room, asking.at.solution.plan.budget.check)


def told(
    asking: Asking,
    searcher: Searcher,
    chosen: Chosen,
    each: Sequence[Sds],
    of_state: Callable[[Outlook], Sds],
) -> SamplingPlan:
    """
    Put the plan and the worth of each prospect together.

    ``each`` are the sds of the targets after each prospect, ``of_state`` gives those of a state.
    """
    usable = asking.usable.tolist()
    every = range(len(asking.question.prospects))
    return SamplingPlan(
        worths=_worths(asking, searcher, each),
        unusable=tuple(i for i in every if i not in set(usable)),
        steps=_steps(asking, searcher, chosen.counts, of_state),
        cost=searcher.room.spent(chosen.counts),
        before=searcher.goal.precision(searcher.marks(np.zeros_like(chosen.counts))),
        after=searcher.goal.precision(searcher.marks(chosen.counts)),
        bound=chosen.bound,
        method=chosen.method,
    )


def _by_rate(rates: Floats) -> list[int]:
    """Put positions in the order of their rates (k, 3), the largest first."""

    def compared(one: int, other: int) -> int:
        if is_better(-rates[one], -rates[other]):
            return -1
        return int(is_better(-rates[other], -rates[one]))

    return sorted(range(len(rates)), key=cmp_to_key(compared))


def _worths(asking: Asking, searcher: Searcher, each: Sequence[Sds]) -> tuple[Worth, ...]:
    if not each:
        return ()
    goal, nothing = searcher.goal, np.zeros(len(each), dtype=np.int64)
    here, marks = (
        goal.marks(searcher.outlook, nothing),
        goal.marks_after_each(searcher.outlook, nothing),
    )
    before = goal.precision(here)
    worths = []
    for k in _by_rate((here - marks) / searcher.room.costs[:, None]):
        i, state = int(asking.usable[k]), goal.precision(marks[k])
        opens = before.unknown - state.unknown
        worths.append(
            Worth(
                prospect=i,
                expected=float(asking.prospects.value[i]),
                sure=bool(asking.prospects.sure[i]),
                sd=float(asking.own_sds[i]),
                after=each[k],
                state=state,
                gain=None if opens else goal.gain(before, state),
                opens=opens,
            )
        )
    return tuple(worths)


def _steps(
    asking: Asking, searcher: Searcher, counts: Ints, of_state: Callable[[Outlook], Sds]
) -> tuple[Step, ...]:
    steps, taken, state = [], np.zeros_like(counts), searcher.outlook
    for k in searcher.in_order(counts):
        taken[k] += 1
        state = state.taking(k)
        precision = searcher.goal.precision(searcher.goal.marks(state, taken))
        steps.append(Step(int(asking.usable[k]), of_state(state), precision))
    return tuple(steps)
