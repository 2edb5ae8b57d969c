"""
How well the engine agrees with a general-purpose optimiser on everything that a circuit contains.

Run ``python -m tests.studies.agreement_general [COUNT]`` from the root (300 without a number).  It
prints every survey on which the two do not agree, and the largest disagreements.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from reconcile import Balance, Options, Outcome, Robust, reconcile_balance
from tests.comparison_general import (
    disagreement,
    objective,
    reported,
    stated,
    unknowns,
    without_the_undefined,
)
from tests.peers.everything import Array, Whole
from tests.peers.interior import Judge, Optimum, best
from tests.surveys import Survey, survey

COUNT = 300
"""How many surveys are compared."""

EQUAL = 1e-6
"""Objectives and values nearer than this (relative; objectives absolute below 1) are the same."""

CLOSED = {Outcome.CLOSED, Outcome.CLOSED_WITH_ACTIVE_BOUNDS}


class Verdict(StrEnum):
    """What a comparison came to."""

    SAME = "same optimum"
    APART = "same objective, other values"
    ENGINE = "engine better"
    PEER = "peer better"
    JUSTIFIED = "no balance, and no optimum for the peer either"
    REFUSED = "no balance where the peer has an optimum"
    FAULTY = "silent failure"


GOOD = {Verdict.SAME, Verdict.ENGINE, Verdict.JUSTIFIED}
"""What the engine is held to."""


@dataclass(frozen=True)
class Comparison:
    """
    One survey: the engine's objective, recomputed, the judge's, and what they came to.

    ``elsewhere`` is the best objective that the judge met on roads that the engine does not
    promise; ``values`` the largest difference of a reported value; ``remark`` what stands out.
    """

    seed: int
    features: frozenset[str]
    verdict: Verdict
    ours: float
    theirs: float
    elsewhere: float
    values: float
    bounds: int
    remark: str

    @property
    def excess(self) -> float:
        """The engine's objective less the judge's, relative above 1."""
        return (self.ours - self.theirs) / max(1.0, abs(self.theirs))


def starts(whole: Whole, truth: Array, rng: np.random.Generator) -> list[Array]:
    """Give the truth, two perturbations of it, and amounts that have nothing to do with it."""
    amounts = np.arange(truth.size) < len(whole.amount)
    near = truth * np.where(amounts, np.exp(0.1 * rng.normal(size=truth.size)), 1.0)
    far = truth * np.where(amounts, np.exp(0.7 * rng.normal(size=truth.size)), 1.0)
    uniform = np.where(amounts, rng.uniform(0.2, 1.0, truth.size) * np.median(whole.size), truth)
    return [truth, near, far, uniform]


@dataclass(frozen=True)
class Judgement:
    """What the judge found without the engine's help: on the road promised, and on others."""

    judge: Judge
    truth: Array
    promised: tuple[Optimum, ...]
    elsewhere: tuple[Optimum, ...]


def _from_all(case: Survey, seed: int) -> tuple[Judge, Array, tuple[Optimum, ...]]:
    whole = stated(case)
    truth = unknowns(whole, case.truth)
    judge = Judge(whole, truth)
    rng = np.random.default_rng([seed, 32])
    return judge, truth, tuple(judge.from_(x) for x in starts(whole, truth, rng))


def judged(case: Survey, seed: int) -> Judgement:
    """
    Judge a survey alone.

    The bisquare has many optima.  What is promised is the better of those reached from least
    squares and from Huber's loss, so those are the judge's starts for it.
    """
    judge, truth, found = _from_all(case, seed)
    if case.options.robust is not Robust.BISQUARE:
        return Judgement(judge, truth, found, ())
    begin = [
        best(_from_all(replace(case, options=Options(robust=loss)), seed)[2]).x
        for loss in (Robust.HUBER, Robust.NONE)
    ]
    return Judgement(judge, truth, tuple(judge.from_(x) for x in begin), found)


def beside(case: Survey, balance: Balance, seed: int) -> tuple[Judge, Optimum]:
    """Give what the judge finds from near the engine's point, with what is empty there empty."""
    less, empty = without_the_undefined(case, balance)
    whole = stated(less, empty)
    truth = unknowns(whole, case.truth)
    judge = Judge(whole, truth)
    x = reported(whole, balance)
    begin = np.where(np.isnan(x), truth, x)
    moved = begin * np.exp(1e-3 * np.random.default_rng([seed, 33]).normal(size=x.size))
    return judge, best([judge.from_(moved), judge.from_(begin)])


def implied(judge: Judge, balance: Balance) -> float:
    """Give the least objective that goes with what the engine reports, to 1e-7 of each value."""
    return judge.from_(reported(judge.whole, balance), within=1e-7).objective


def _fault(balance: Balance) -> str:
    """Say what is wrong with a balance by itself."""
    tables = (balance.masses, balance.assays, balance.component_masses, balance.recoveries)
    numbers = [k.value for table in tables for k in table.values() if k.value is not None]
    if not np.isfinite(np.array(numbers, dtype=float)).all():
        return "a number that is none"
    worst = max(balance.closure, key=lambda c: c.relative)
    if worst.relative > 1e-9:
        return f"{worst.of} does not close at {worst.node}: {worst.relative:.1e}"
    return ""


def _verdict(ours: float, theirs: float, values: float) -> Verdict:
    gap = (ours - theirs) / max(1.0, abs(theirs))
    if abs(gap) <= EQUAL:
        return Verdict.SAME if values <= EQUAL else Verdict.APART
    return Verdict.PEER if gap > 0 else Verdict.ENGINE


def _refused(case: Survey, seed: int, balance: Balance, alone: Judgement) -> Comparison:
    """
    Judge an outcome without a balance.

    It is justified if the judge finds no optimum either, once nothing keeps undetermined amounts
    near the truth.
    """
    free = Judge(alone.judge.whole, alone.truth, tether=0.0)
    found = [free.from_(o.x) for o in (*alone.promised, *alone.elsewhere)]
    settled = [o for o in found if o.converged and not o.boundless]
    reason = balance.failure.reason if balance.failure else ""
    best_of_all = best(found)
    return Comparison(
        seed,
        case.features,
        Verdict.REFUSED if settled and best(settled).x is best_of_all.x else Verdict.JUSTIFIED,
        math.nan,
        best_of_all.objective,
        math.nan,
        math.nan,
        0,
        f"{reason} Judge: {best_of_all.status}, boundless {best_of_all.boundless}, "
        f"rest {best_of_all.rest:.1e}",
    )


def compare(seed: int, case: Survey | None = None) -> Comparison:
    """Compare the engine with the judge on one survey."""
    case = case or survey(seed)
    balance = reconcile_balance(case.flowsheet, case.readings, case.options)
    alone = judged(case, seed)
    if balance.outcome not in CLOSED:
        return _refused(case, seed, balance, alone)
    judge, there = beside(case, balance, seed)
    ours, without = objective(case, balance)
    if without:
        ours = implied(judge, balance)
    apart = best(alone.promised)
    theirs = min(apart.objective, there.objective)
    same = there.objective <= theirs + EQUAL * max(1.0, theirs)
    whole, at = (judge.whole, there) if same else (alone.judge.whole, apart)
    values, what = disagreement(whole, case, balance, at.x)
    fault = _fault(balance)
    return Comparison(
        seed,
        case.features,
        Verdict.FAULTY if fault else _verdict(ours, theirs, values),
        ours,
        theirs,
        min((o.objective for o in alone.elsewhere), default=math.nan),
        values,
        len(balance.active_bounds),
        fault or f"{what} (judge: {at.status}, rest {at.rest:.1e}; alone {apart.objective:.9g})",
    )


def lines(comparisons: Sequence[Comparison]) -> Iterator[str]:
    """Say in words what the comparisons came to."""
    for c in comparisons:
        if c.verdict is not Verdict.SAME:
            yield (
                f"seed {c.seed}: {c.verdict}; engine {c.ours:.9g}, judge {c.theirs:.9g}; "
                f"{', '.join(sorted(c.features))}\n    {c.remark}"
            )
    counts = Counter(c.verdict for c in comparisons)
    yield f"{len(comparisons)} surveys, {sum(c.bounds > 0 for c in comparisons)} with active bounds"
    yield from (f"  {verdict}: {counts[verdict]}" for verdict in Verdict if counts[verdict])
    settled = [c for c in comparisons if c.verdict in {Verdict.SAME, Verdict.APART}]
    worst = max(settled, key=lambda c: c.excess)
    apart = max(settled, key=lambda c: c.values)
    yield f"  largest excess of the engine's objective {worst.excess:.2e} (seed {worst.seed})"
    yield f"  largest difference of a value {apart.values:.2e} (seed {apart.seed}: {apart.remark})"
    elsewhere = [c.seed for c in comparisons if c.elsewhere < c.theirs * (1 - EQUAL) - EQUAL]
    yield f"  bisquare with a better optimum elsewhere: seeds {elsewhere}"


def main() -> None:
    """Print the disagreements and the counts."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    for line in lines([compare(seed) for seed in range(count)]):
        sys.stdout.write(line + "\n")


if __name__ == "__main__":
    main()
