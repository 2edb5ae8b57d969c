"""Many shifts of one flowsheet at once, beside IPOPT in a loop over a sample of them."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from reconcile.stack import Stack, reconcile_stack
from tests.benchmarks import engine, judge
from tests.benchmarks.flowsheets import Array, Family, Survey, survey
from tests.benchmarks.measure import BOTH, quick_flowsheets, seconds
from tests.benchmarks.peers import Peer

GOAL = 100.0
"""How many times faster than IPOPT in a loop."""


@dataclass(frozen=True)
class Row:
    """``lost`` is the chance that a reading is not there in a shift."""

    name: str
    streams: int
    components: int
    lost: float = 0.0
    shifts: int = 10_000
    flowsheets: int = 10
    sample: int = 200


ROWS = (
    Row("stack-8x4", 8, 4),
    Row("stack-12x4", 12, 4),
    Row("stack-8x4-gaps", 8, 4, lost=0.01),
)


def quick(row: Row) -> Row:
    """Give the row with few flowsheets and a small sample."""
    flowsheets = quick_flowsheets(row.streams)
    return Row(row.name, row.streams, row.components, row.lost, 2_000, flowsheets, 50)


@dataclass(frozen=True)
class Timed:
    """
    Seconds for one flowsheet's shifts.

    ``cold`` and ``warm`` for all of them, the plan made or kept; ``loop`` what IPOPT needs for one
    shift, by the median of the sample, the faster form; ``build`` its model.
    """

    shifts: int
    cold: float
    warm: float
    loop: float
    build: float
    patterns: int
    unsolved: int
    gap: float
    verdict: judge.Verdict

    @property
    def faster(self) -> float:
        """Times faster than the loop, both models' builds included."""
        return (self.build + self.shifts * self.loop) / self.cold


@dataclass
class Result:
    """A row's flowsheets, and what is wrong or missing, with the seed."""

    row: Row
    timed: list[Timed] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def values_of(chosen: Survey, row: Row, rng: np.random.Generator) -> Array:
    """Draw the values of every shift, NaN where a reading is not there: (shifts, readings)."""
    noise = rng.standard_normal((row.shifts, len(chosen.sd)))
    values = chosen.read(chosen.truth) + chosen.sd * noise
    values = np.where(chosen.quantity == 0, values, np.minimum(values, 1.0))
    return np.where(rng.random(values.shape) < row.lost, np.nan, values)


def solved(chosen: Survey, values: Array) -> Stack:
    """Give the balances of all shifts by the one public call."""
    readings = chosen.readings(chosen.read(chosen.truth))
    return reconcile_stack(chosen.flowsheet, readings, values, options=engine.OPTIONS)


def _beside(
    chosen: Survey, values: Array, found: Stack, sample: int
) -> tuple[float, float, float, judge.Verdict]:
    """Give IPOPT's seconds a shift and for its build, the largest gap, and the worst verdict."""
    solved_shifts = np.flatnonzero(found.closed)
    places = solved_shifts[np.linspace(0, len(solved_shifts) - 1, sample).astype(np.int64)]
    best, gap = (np.inf, np.inf), 0.0
    forms: tuple[type[Peer], ...] = BOTH
    for kind in forms:
        build, peer = seconds(partial(kind, chosen))
        spent = []
        for k in places:
            took, answer = seconds(partial(peer.solve, values[k]))
            spent.append(took)
            ours = judge.objective(chosen, values[k], found.amounts[k])
            above = judge.above(ours, judge.objective(chosen, values[k], answer.flows))
            if not answer.good or above < -judge.SAME:
                answer = peer.solve(values[k], found.amounts[k])
                theirs = judge.objective(chosen, values[k], answer.flows)
                above = judge.above(ours, theirs) if answer.good else max(above, 0.0)
            gap = max(gap, abs(above))
        best = min(best, (statistics.median(spent), build))
    verdicts = [judge.judged(chosen, values[k], found.amounts[k]) for k in places]
    return *best, gap, judge.worst(verdicts)


def timed(chosen: Survey, values: Array, sample: int) -> Timed:
    """Time one flowsheet."""
    engine.forget()
    cold, found = seconds(partial(solved, chosen, values))
    warm = seconds(partial(solved, chosen, values))[0]
    loop, build, gap, verdict = _beside(chosen, values, found, sample)
    patterns = len(np.unique(np.packbits(np.isnan(values), axis=1), axis=0))
    unsolved = int((~found.closed).sum())
    return Timed(len(values), cold, warm, loop, build, patterns, unsolved, gap, verdict)


def run(row: Row, told: Callable[[str], object]) -> Result:
    """Measure a row; ``told`` hears of each flowsheet as it is done."""
    result = Result(row)
    for seed in range(1, row.flowsheets + 1):
        chosen = survey(Family.DENSE, row.streams, row.components, seed)
        one = timed(chosen, values_of(chosen, row, np.random.default_rng(seed)), row.sample)
        result.timed.append(one)
        if one.unsolved:
            result.wrong.append(f"seed {seed}: {one.unsolved} shifts not solved")
        if one.gap > judge.SAME or not one.verdict.good:
            result.wrong.append(f"seed {seed}: differs by {one.gap:.1e}, {one.verdict}")
        told(f"{row.name}, seed {seed}: {one.cold:.2f} s, {one.faster:.0f} times")
    return result


def warm_up() -> None:
    """Let everything compile before anything is timed."""
    row = Row("warm-up", 8, 2, lost=0.01, shifts=100)
    chosen = survey(Family.DENSE, row.streams, row.components, 1)
    solved(chosen, values_of(chosen, row, np.random.default_rng(1)))


def shifts_time(shifts: float, seed: int) -> float:
    """Give the seconds of one stack, its plan kept."""
    row = Row("growth", 8, 4, shifts=int(shifts))
    chosen = survey(Family.DENSE, row.streams, row.components, seed)
    values = values_of(chosen, row, np.random.default_rng(seed))
    solved(chosen, values[:10])
    begun = time.perf_counter()
    solved(chosen, values)
    return time.perf_counter() - begun
