"""The search for a plan: every plan where they are few, else greedy, rounded and exchanged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .goals import SAME, Goal, are_better, best_of, is_better
from .outlook import Outlook
from .questions import Precision

if TYPE_CHECKING:
    from reconcile.kernel.problem import Bools, Floats, Ints

MOST_WORK = 100_000_000
"""Numbers touched by an exhaustive search at most, about a second: each plan that leaves room for
one reading more costs the outlook's size squared and what surrounds it."""

SURROUNDINGS = 20_000
"""What a step costs beside the numbers of the outlook, in numbers."""

MOST_ROUNDS = 12
"""Rounds of exchanges; two to four are usual until none helps."""


@dataclass(frozen=True)
class Room:
    """What may be taken: ``costs`` and ``most`` of each prospect, (prospects,), and the budget."""

    costs: Floats
    most: Ints
    budget: float

    def spent(self, counts: Ints) -> float:
        """Give the cost of a plan."""
        return float(self.costs @ counts)

    def allowed(self, counts: Ints) -> Bools:
        """Say which prospects may still be taken, (prospects,)."""
        left = self.budget - self.spent(counts)
        return np.asarray((counts < self.most) & (self.costs <= left + SAME * self.budget))


@dataclass(frozen=True)
class Searcher:
    """A search for the best plan from one outlook; ``tick`` is called before each step."""

    outlook: Outlook
    goal: Goal
    room: Room
    tick: Callable[[], None]

    def state(self, counts: Ints) -> Outlook:
        """Give the outlook once a plan is taken."""
        result = self.outlook
        for i in np.repeat(np.arange(len(counts)), counts):
            result = result.taking(int(i))
        return result

    def marks(self, counts: Ints) -> Floats:
        """Give the marks of a plan."""
        return self.goal.marks(self.state(counts), counts)

    def precision(self, counts: Ints) -> Precision:
        """Say how good a plan is."""
        return self.goal.precision(self.marks(counts))

    def index(self, counts: Ints) -> float:
        """Give the index of a plan."""
        return self.precision(counts).index

    def steps(self) -> int | None:
        """Give how many plans leave room for a reading more; ``None`` where they are too many."""
        most = MOST_WORK // (len(self.outlook.finite) ** 2 + SURROUNDINGS)
        found, waiting = 0, [(0, np.zeros(len(self.room.costs), dtype=np.int64))]
        while waiting:
            first, counts = waiting.pop()
            allowed = self.room.allowed(counts)
            allowed[:first] = False
            if allowed.any():
                found += 1
            if found > most:
                return None
            waiting += [(int(i), with_one(counts, int(i))) for i in np.flatnonzero(allowed)]
        return found

    def exhaustive(self) -> Ints:
        """Give the best of all plans; the cheapest, then the first, of equals."""
        nothing = np.zeros(len(self.room.costs), dtype=np.int64)
        best, best_marks = nothing, self.goal.marks(self.outlook, nothing)
        waiting = [(0, nothing, self.outlook)]
        while waiting:
            self.tick()
            first, counts, outlook = waiting.pop()
            allowed = self.room.allowed(counts)
            allowed[:first] = False
            if not allowed.any():
                continue
            marks = self.goal.marks_after_each(outlook, counts)
            found = best_of(marks, allowed)
            if found is not None and self._beats(
                with_one(counts, found), marks[found], best, best_marks
            ):
                best, best_marks = with_one(counts, found), marks[found]
            for i in np.flatnonzero(allowed):
                more = with_one(counts, int(i))
                if self.room.allowed(more)[i:].any():
                    waiting.append((int(i), more, outlook.taking(int(i))))
        return best

    def _beats(self, counts: Ints, marks: Floats, other: Ints, other_marks: Floats) -> bool:
        if is_better(marks, other_marks):
            return True
        spent, others = self.room.spent(counts), self.room.spent(other)
        return not is_better(other_marks, marks) and spent < others * (1 - SAME)

    def filled(self, counts: Ints, *, by_cost: bool) -> Ints:
        """Add the reading that helps most, for its cost or at all, until none fits or helps."""
        outlook = self.state(counts)
        here = self.goal.marks(outlook, counts)
        while (allowed := self.room.allowed(counts)).any():
            self.tick()
            marks = self.goal.marks_after_each(outlook, counts)
            helps = allowed & are_better(marks, here)
            if not helps.any():
                break
            judged = here - (here - marks) / self.room.costs[:, None] if by_cost else marks
            chosen = best_of(judged, helps)
            assert chosen is not None  # noqa: S101 - one of them helps
            counts, outlook, here = with_one(counts, chosen), outlook.taking(chosen), marks[chosen]
        return counts

    def rounded(self, weights: Floats) -> Ints:
        """Take the heaviest of a relaxed plan while they fit, then fill."""
        counts = np.zeros(len(weights), dtype=np.int64)
        for i in np.argsort(-weights, kind="stable"):
            for _ in range(round(float(weights[i]))):
                if self.room.allowed(counts)[i]:
                    counts = with_one(counts, int(i))
        return self.filled(counts, by_cost=False)

    def exchanged(self, counts: Ints) -> Ints:
        """Give readings up one by one for others that help more, until no exchange helps."""
        here = self.marks(counts)
        for _ in range(MOST_ROUNDS):
            before = here
            for i in np.flatnonzero(counts):
                other = counts.copy()
                other[i] -= 1
                other = self.filled(other, by_cost=False)
                marks = self.marks(other)
                if is_better(marks, here):
                    counts, here = other, marks
                    break
            if not is_better(here, before):
                break
        return counts

    def heuristic(self, weights: Floats | None) -> Ints:
        """Give the best plan of three starts, each exchanged."""
        nothing = np.zeros(len(self.room.costs), dtype=np.int64)
        starts = [self.filled(nothing, by_cost=False), self.filled(nothing, by_cost=True)]
        if weights is not None:
            starts.append(self.rounded(weights))
        best, best_marks = nothing, self.marks(nothing)
        tried: set[bytes] = set()
        for start in starts:
            if start.tobytes() in tried:
                continue
            tried.add(start.tobytes())
            found = self.exchanged(start)
            marks = self.marks(found)
            if is_better(marks, best_marks):
                best, best_marks = found, marks
        return best

    def in_order(self, counts: Ints) -> list[int]:
        """Put a plan in the order of taking: what helps most comes first."""
        taken = np.zeros_like(counts)
        outlook, order = self.outlook, []
        while (left := taken < counts).any():
            marks = self.goal.marks_after_each(outlook, taken)
            chosen = best_of(marks, left)
            assert chosen is not None  # noqa: S101 - some are left
            order.append(chosen)
            taken, outlook = with_one(taken, chosen), outlook.taking(chosen)
        return order


def with_one(counts: Ints, i: int) -> Ints:
    """Give a plan with one reading more."""
    more = counts.copy()
    more[i] += 1
    return more
