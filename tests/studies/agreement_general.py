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
from tests.peers.interior import TETHER, Judge, Optimum, best
from tests.surveys import Survey, survey

COUNT = 300
"""How many surveys are compared."""

EQUAL = 1e-6
"""Objectives and values nearer than this (relative; objectives absolute below 1) are the same."""

FALLS = 1e-8
"""Share of the objective by which it must fall further, as amounts run away, to have no optimum."""

LOOSER = 1e4
"""By how much less undetermined amounts are kept near the truth, to see whether they run away."""

LOST = 1e-3
"""Rest of the conditions of an optimum beyond which a point is nowhere near one."""

ROUGH = 1e-4
"""Difference of values that a judge short of its own optimum may have."""

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

    It is justified if there is no optimum: amounts run away, and the objective falls as they are
    let loose; or if the judge ends nowhere near an optimum either.
    """
    found = (*alone.promised, *alone.elsewhere)
    kept = best(found)
    free = Judge(alone.judge.whole, alone.truth, tether=TETHER / LOOSER)
    loose = best([free.from_(o.x) for o in (kept, *found)])
    falls = loose.objective < kept.objective - FALLS * max(1.0, kept.objective)
    boundless = kept.boundless or (falls and loose.boundless)
    lost = kept.rest > LOST and loose.rest > LOST
    return Comparison(
        seed,
        case.features,
        Verdict.JUSTIFIED if boundless or lost else Verdict.REFUSED,
        math.nan,
        kept.objective,
        math.nan,
        math.nan,
        0,
        f"{balance.failure.reason if balance.failure else ''}\n    Judge: {kept.status}, rest "
        f"{kept.rest:.1e}; let loose {loose.objective:.9g}, rest {loose.rest:.1e}, "
        f"boundless {loose.boundless}",
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
    apart = best(alone.promised)
    theirs = min(apart.objective, there.objective)
    same = there.objective <= theirs + EQUAL * max(1.0, theirs)
    whole, at = (judge.whole, there) if same else (alone.judge.whole, apart)
    values, what = disagreement(whole, case, balance, at.x)
    if not at.converged and values <= ROUGH:
        values = 0.0
    if without:
        # Limits on what only limits tell of: where all else agrees, the judge's own point completes
        # what the engine reports.
        ours = theirs if values <= EQUAL else implied(judge, balance)
    fault = _fault(balance)
    verdict = _verdict(ours, theirs, values)
    if verdict is Verdict.ENGINE and _verdict(ours, implied(judge, balance), 0.0) != Verdict.SAME:
        fault = "lower than any judge, and the values fit no state that closes within its bounds"
    return Comparison(
        seed,
        case.features,
        Verdict.FAULTY if fault else verdict,
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
    if settled:
        worst = max(settled, key=lambda c: c.excess)
        apart = max(settled, key=lambda c: c.values)
        yield f"  largest excess of the engine's objective {worst.excess:.2e} (seed {worst.seed})"
        yield f"  largest difference of a value {apart.values:.2e} (seed {apart.seed})"
    elsewhere = [c.seed for c in comparisons if c.elsewhere < c.theirs * (1 - EQUAL) - EQUAL]
    yield f"  bisquare with a better optimum elsewhere: seeds {elsewhere}"


def main() -> None:
    """Print the disagreements and the counts."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    for line in lines([compare(seed) for seed in range(count)]):
        sys.stdout.write(line + "\n")


if __name__ == "__main__":
    main()
