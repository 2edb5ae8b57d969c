"""
What makes one plan better than another: small sds of the targets, or power to find a bias.

Each state has three marks, compared in turn, the lower the better.  A goal gives those of one
state, and of the states that each further reading would bring, all at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from .outlook import Outlook
from .questions import Precision

if TYPE_CHECKING:
    from reconcile.kernel.problem import Bools, Floats, Ints

SAME = 1e-9
"""Marks this close, beside their size, are equal: rounding must not choose a plan."""


class Goal(Protocol):
    """What a plan is judged by; ``counts`` (prospects,) say what was taken so far."""

    def marks(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the marks of a state, (3,)."""
        ...

    def marks_after_each(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the marks of the states that each prospect would bring, (prospects, 3)."""
        ...

    def precision(self, marks: Floats) -> Precision:
        """Say what marks mean."""
        ...

    def gain(self, before: Precision, after: Precision) -> float:
        """Give what is gained from one state to another, in what the goal looks at first."""
        ...


def _differ(one: Floats, other: Floats) -> Bools:
    return np.asarray(np.abs(one - other) > SAME * (np.abs(one) + np.abs(other)))


def are_better(marks: Floats, than: Floats) -> Bools:
    """Say of each state (k, 3) whether it beats another (3,), by the first mark that differs."""
    differ = _differ(marks, than)
    first = differ.argmax(axis=-1)[..., None]
    lower = np.take_along_axis(marks < than, first, axis=-1)[..., 0]
    return np.asarray(differ.any(axis=-1) & lower)


def is_better(marks: Floats, than: Floats) -> bool:
    """Compare two states by the first mark in which they differ."""
    return bool(are_better(marks, than))


def best_of(marks: Floats, among: Bools) -> int | None:
    """Give the position of the best marks (k, 3) among those allowed; the first of equals."""
    left = np.flatnonzero(among)
    for mark in marks.T:
        if len(left) > 1:
            left = left[~_differ(mark[left], mark[left].min())]
    return int(left[0]) if len(left) else None


@dataclass(frozen=True)
class SmallSds:
    """
    Known targets, then a small mean of their squared sds over the references.

    The figures of the outlook are the targets, each over its reference sd.
    """

    targets: int

    def _marks(self, finite: Floats, open_: Floats) -> Floats:
        unknown = open_ > 0
        known = np.where(unknown, 0.0, finite)
        columns = (unknown.sum(axis=-1), open_.sum(axis=-1), known.sum(axis=-1) / self.targets)
        return np.stack([np.asarray(column, dtype=np.float64) for column in columns], axis=-1)

    def marks(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the targets unknown, how wide they are open, the mean square of the rest."""
        del counts
        return self._marks(outlook.figures, outlook.open_figures)

    def marks_after_each(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the same for each prospect."""
        del counts
        return self._marks(*outlook.after_each())

    def precision(self, marks: Floats) -> Precision:
        """Say what marks mean."""
        return Precision(int(marks[0]), float(np.sqrt(max(marks[2], 0.0))))

    def gain(self, before: Precision, after: Precision) -> float:
        """Give the fall of the index."""
        return before.index - after.index


def power_of(noncentrality: Floats, critical: float) -> Floats:
    """Give the power of a two-sided test of a normal deviate with this mean."""
    return np.asarray(norm.cdf(noncentrality - critical) + norm.cdf(-noncentrality - critical))


def needed_noncentrality(power: float, critical: float) -> float:
    """Give the noncentrality at which a two-sided test has this power; zero if it always has."""
    if power_of(np.zeros(1), critical)[0] >= power:
        return 0.0
    highest = critical + 40.0
    return float(brentq(lambda d: float(power_of(np.array([d]), critical)[0]) - power, 0, highest))


@dataclass(frozen=True)
class Power:
    """
    A high least power to find a bias, or many readings that reach ``wanted``; then a high mean.

    The figures of the outlook are what the readings at hand read, each over its own sd.  ``size``
    (readings,) are the biases looked for in own sds; ``critical`` the two-sided critical value.
    ``improves`` (prospects,) is the reading whose own error a prospect narrows, -1 for none, and
    ``extra`` the information that it gains thereby, in its own.  A reading with bias b and
    redundancy r has the noncentrality ``b √r / sd`` (Narasimhan and Jordache 2000, chapter 7).
    """

    size: Floats
    critical: float
    improves: Ints
    extra: Floats
    checkable: Bools
    wanted: float
    by_number: bool

    @cached_property
    def _own(self) -> Floats:
        """Information that each prospect adds to each reading itself, (prospects, readings)."""
        own = self.improves[:, None] == np.arange(len(self.size))
        return np.where(own, self.extra[:, None], 0.0)

    def information(self, counts: Ints | Floats) -> Floats:
        """Give the information of each reading in its own sds, one unless improved: (readings,)."""
        return np.asarray(1.0 + counts @ self._own)

    def noncentralities(self, variance: Floats, information: Floats) -> Floats:
        """Give the noncentralities from the variances of what is read, in own sds."""
        redundancy = np.maximum(1 - information * variance, 0.0)
        return np.asarray(self.size * np.sqrt(information * redundancy))

    def powers(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the power at every reading, (readings,)."""
        found = self.noncentralities(outlook.figures, self.information(counts))
        return power_of(found, self.critical)

    def _marks(self, powers: Floats) -> Floats:
        if not self.checkable.any():
            return np.zeros((*powers.shape[:-1], 3))
        missed = 1 - powers[..., self.checkable]
        short = (missed > 1 - self.wanted).sum(axis=-1).astype(np.float64)
        worst, mean = missed.max(axis=-1), missed.mean(axis=-1)
        columns = (short, mean, worst) if self.by_number else (worst, mean, short)
        return np.stack(columns, axis=-1)

    def marks(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the largest and the mean chance to miss a bias, and how many fall short."""
        return self._marks(self.powers(outlook, counts))

    def marks_after_each(self, outlook: Outlook, counts: Ints) -> Floats:
        """Give the same for each prospect."""
        finite, _ = outlook.after_each()
        information = self.information(counts) + self._own
        return self._marks(power_of(self.noncentralities(finite, information), self.critical))

    def precision(self, marks: Floats) -> Precision:
        """Say what marks mean."""
        worst, mean, short = marks[[2, 1, 0]] if self.by_number else marks
        return Precision(0, float(worst), float(mean), int(self.checkable.sum() - short))

    def gain(self, before: Precision, after: Precision) -> float:
        """Give the rise of the least power, or of the number of readings that reach the wanted."""
        if self.by_number:
            return float(after.reached - before.reached)
        return before.index - after.index
