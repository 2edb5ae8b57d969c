"""
Branch and bound: the best plan, proven, or a bound that is closer than the relaxation's.

The duals of the relaxation price every reading; what a plan leaves unspent can gain no more than a
knapsack filled by gain per cost, so whole families of plans fall away at once (Land and Doig 1960;
with these prices Geoffrion 1974; both quoted from memory).  The family that could hold the best
comes first, so that stopping early still leaves a bound for all.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .goals import SAME, best_of, is_better
from .search import MOST_WORK, SURROUNDINGS, Searcher, with_one

if TYPE_CHECKING:
    from reconcile.kernel.problem import Ints

    from .relaxation import Prices
    from .search import Room


@dataclass(frozen=True)
class Proven:
    """A plan, what no mean square within the budget can fall below, and whether it is the best."""

    counts: Ints
    least: float
    is_best: bool


@dataclass(frozen=True)
class _Families:
    """
    Bounds of families of plans: what is taken, and all that may follow from a place in the order.

    The order is that of gain per cost.
    """

    prices: Prices
    room: Room
    order: Ints

    def bound(self, counts: Ints, first: int) -> float:
        """Give what no mean square of the family can fall below."""
        left = self.room.budget - self.room.spent(counts)
        gained = float(self.prices.gains @ counts)
        for i in self.order[first:]:
            if left <= 0:
                break
            whole = float(self.room.most[i]) * self.room.costs[i]
            gained += self.prices.gains[i] * min(whole, left) / self.room.costs[i]
            left -= whole
        return self.prices.mean_square_less(gained)


def proven(searcher: Searcher, prices: Prices, start: Ints) -> Proven:
    """Search from a good plan until it is beaten or proven, or the work is too much."""
    room, goal = searcher.room, searcher.goal
    families = _Families(prices, room, np.argsort(-prices.gains / room.costs, kind="stable"))
    place = np.argsort(families.order)
    best, marks, work = start, searcher.marks(start), 0
    # The prospects taken, not their counts: there may be many families.
    left: list[tuple[float, tuple[int, ...]]] = [(families.bound(np.zeros_like(start), 0), ())]
    while left:
        least, taken = heapq.heappop(left)
        if marks[0] == 0 and least >= marks[2] * (1 - SAME):
            break
        work += (len(taken) + 1) * (len(searcher.outlook.finite) ** 2 + SURROUNDINGS)
        if work > MOST_WORK:
            return Proven(best, least, is_best=False)
        searcher.tick()
        counts = np.bincount(np.array(taken, dtype=np.int64), minlength=len(start))
        first = int(place[taken[-1]]) if taken else 0
        allowed = room.allowed(counts) & (place >= first)
        each = goal.marks_after_each(searcher.state(counts), counts)
        found = best_of(each, allowed)
        if found is not None and is_better(each[found], marks):
            best, marks = with_one(counts, found), each[found]
        for i in np.flatnonzero(allowed):
            more, at = with_one(counts, int(i)), int(place[i])
            if (room.allowed(more) & (place >= at)).any():
                bound = families.bound(more, at)
                if marks[0] > 0 or bound < marks[2] * (1 - SAME):
                    heapq.heappush(left, (bound, (*taken, int(i))))
    return Proven(best, float(marks[2]), is_best=True)
