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
from tests.benchmarks.flowsheets import Array, Family, Places, Survey, survey
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
    shift, by the median of the sample, the faster form; ``build`` its model.  ``gap`` and
    ``higher`` as in :class:`tests.benchmarks.measure.Beside`.
    """

    shifts: int
    cold: float
    warm: float
    loop: float
    build: float
    patterns: int
    unsolved: int
    gap: float
    higher: int
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


@dataclass
class _Beside:
    """One form of IPOPT over the sample."""

    build: float
    spent: list[float] = field(default_factory=list)
    gap: float = 0.0
    higher: int = 0

    @property
    def loop(self) -> float:
        """The median shift."""
        return statistics.median(self.spent)


def _beside(
    kind: type[Peer], chosen: Survey, values: Array, found: Stack, places: Places
) -> _Beside:
    """Time a peer on some shifts, and hold the objectives together."""
    build, peer = seconds(partial(kind, chosen))
    result = _Beside(build)
    for k in places:
        took, answer = seconds(partial(peer.solve, values[k]))
        result.spent.append(took)
        ours = found.points[k]
        best = judge.objective(chosen, values[k], ours)
        result.gap = max(result.gap, judge.short(chosen, values[k], answer, best))
        if not judge.agrees(chosen, values[k], answer, best):
            result.higher += not judge.agrees(chosen, values[k], peer.solve(values[k], ours), best)
    return result


def timed(chosen: Survey, values: Array, sample: int) -> Timed:
    """Time one flowsheet."""
    engine.forget()
    cold, found = seconds(partial(solved, chosen, values))
    warm = seconds(partial(solved, chosen, values))[0]
    closed = np.flatnonzero(found.closed)
    places = closed[np.linspace(0, len(closed) - 1, sample).astype(np.int64)]
    forms = [_beside(kind, chosen, values, found, places) for kind in BOTH]
    best = min(forms, key=lambda form: form.loop)
    return Timed(
        shifts=len(values),
        cold=cold,
        warm=warm,
        loop=best.loop,
        build=best.build,
        patterns=len(np.unique(np.packbits(np.isnan(values), axis=1), axis=0)),
        unsolved=int((~found.closed).sum()),
        gap=max(form.gap for form in forms),
        higher=min(form.higher for form in forms),
        verdict=judge.worst(judge.judged(chosen, values[k], found.points[k]) for k in places),
    )


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
