"""Times of one size: engine and peers on the same seeded flowsheets, draw by draw."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

import numpy as np

from reconcile.kernel.budget import OverBudget
from reconcile.start import StartError
from tests.benchmarks import engine, judge
from tests.benchmarks.flowsheets import Array, Family, Survey, survey
from tests.benchmarks.peers import Amounts, Convex, Fractions, Peer, Sequential

T = TypeVar("T")


@dataclass(frozen=True)
class Goal:
    """How many times faster than IPOPT: the solve alone, and with the model's build for both."""

    solve: float
    with_build: float


@dataclass(frozen=True)
class Row:
    """
    One size: how many flowsheets, how many sets of values on each, and which peers.

    ``slow`` peers see one set of values of the first flowsheets only.
    """

    name: str
    family: Family
    streams: int
    components: int
    flowsheets: int
    draws: int
    peers: tuple[type[Peer], ...]
    goal: Goal | None = None
    slow: tuple[type[Peer], ...] = ()


BOTH = (Amounts, Fractions)
"""IPOPT on two forms of the statement; the faster one is the peer."""

SMALL, HUNDRED = Goal(1, 5), Goal(3, 10)
DENSE, LINES, LARGE = Goal(2, 4), Goal(4, 10), Goal(2, 5)

ROWS = (
    Row("8x3", Family.DENSE, 8, 3, 20, 15, BOTH, SMALL, (Sequential,)),
    Row("8x10", Family.DENSE, 8, 10, 20, 15, BOTH, SMALL, (Sequential,)),
    Row("12x4", Family.DENSE, 12, 4, 20, 15, BOTH, SMALL, (Sequential,)),
    Row("20x6", Family.DENSE, 20, 6, 20, 10, BOTH, SMALL),
    Row("30x10", Family.DENSE, 30, 10, 20, 10, BOTH, SMALL),
    Row("100x10", Family.DENSE, 100, 10, 15, 5, BOTH, HUNDRED),
    Row("100x10-lines", Family.LINES, 100, 10, 15, 5, BOTH, HUNDRED),
    Row("100x0-lines", Family.LINES, 100, 0, 15, 5, (Amounts,), None, (Convex,)),
    Row("1000x0-lines", Family.LINES, 1000, 0, 10, 3, (Amounts,), None, (Convex,)),
    Row("1000x10", Family.DENSE, 1000, 10, 10, 2, BOTH, DENSE),
    Row("1000x10-lines", Family.LINES, 1000, 10, 10, 2, BOTH, LINES),
    Row("10000x3-lines", Family.LINES, 10000, 3, 10, 1, BOTH, LARGE),
    Row("10000x10-lines", Family.LINES, 10000, 10, 10, 1, (Amounts,), LARGE),
)

QUICK_STREAMS = 1000
"""Rows above this are left out of a quick run."""


def quick(row: Row) -> Row:
    """Give the row with few flowsheets and draws."""
    flowsheets = 4 if row.streams <= 30 else 2 if row.streams <= 100 else 1
    return replace(row, flowsheets=flowsheets, draws=min(row.draws, 4))


@dataclass
class Beside:
    """
    A peer's seconds and what came out beside the engine's answer.

    ``solves`` are those of each set of values, in the order of the engine's.
    ``gap``: the largest amount by which the engine's objective is above or below the peer's.
    ``again``: draws on which the peer ended higher and agreed once started from the engine's
    answer; ``failed``: draws on which it gave nothing.
    """

    build: float
    first: float
    solves: list[float] = field(default_factory=list)
    gap: float = 0.0
    again: int = 0
    failed: int = 0

    @property
    def solve(self) -> float:
        """The median solve."""
        return statistics.median(self.solves)


@dataclass
class Timed:
    """One flowsheet's seconds in the engine, its verdict and its peers."""

    streams: int
    unknowns: int
    build: float
    first: float
    solves: list[float]
    steps: int
    evidence: float
    cold: float
    warm: float
    factor: float
    verdict: judge.Verdict
    peers: dict[str, Beside]

    @property
    def solve(self) -> float:
        """The median solve."""
        return statistics.median(self.solves)

    @property
    def wrong(self) -> str:
        """What is wrong with the answers, if anything."""
        said = [
            f"{name} differs by {p.gap:.1e}" for name, p in self.peers.items() if p.gap > judge.SAME
        ]
        if not self.verdict.good:
            said.append(str(self.verdict))
        return "; ".join(said)


@dataclass
class Result:
    """A row's flowsheets, and what the engine said of those that it did not solve."""

    row: Row
    timed: list[Timed]
    unsolved: list[str]

    @property
    def wrong(self) -> list[str]:
        """What is wrong, each with its seed."""
        return [t.wrong for t in self.timed if t.wrong] + self.unsolved


EACH = 3
"""How often a solve is timed for one set of values; the median counts."""


def seconds(work: Callable[[], T]) -> tuple[float, T]:
    """Give how long a piece of work took and what it gave."""
    begun = time.perf_counter()
    found = work()
    return time.perf_counter() - begun, found


def middle(work: Callable[[], object], least: float = 0.02, most: int = 20) -> float:
    """Give the median time of a piece of work repeated for ``least`` seconds or ``most`` times."""
    spent = [seconds(work)[0]]
    while sum(spent) < least and len(spent) < most:
        spent.append(seconds(work)[0])
    return statistics.median(spent)


def _engine(chosen: Survey, draws: Sequence[Array]) -> tuple[Timed, list[Array]]:
    """Time the engine on every set of values; give the answers as well."""
    build, made = seconds(partial(engine.Engine, chosen))
    first, solution = seconds(partial(made.solve, draws[0]))
    solves, answers = [], []
    for values in draws:
        solution = made.solve(values)
        answers.append(made.flows(solution))
        solves.append(middle(partial(made.solve, values), most=EACH))
    readings = chosen.readings(draws[-1])
    evidence = middle(partial(engine.evidence, solution, readings))
    engine.forget()
    cold = seconds(partial(engine.whole, chosen, readings))[0]
    warm = middle(partial(engine.whole, chosen, readings))
    verdicts = [judge.judged(chosen, y, flows) for y, flows in zip(draws, answers, strict=True)]
    worst = judge.Verdict(
        max(v.closure for v in verdicts),
        max(v.breach for v in verdicts),
        max(v.kkt for v in verdicts),
    )
    limit = middle(engine.Factor(made.plan).run)
    steps = solution.optimum.iterations
    size = chosen.truth.shape[0], chosen.truth.size
    timed = Timed(*size, build, first, solves, steps, evidence, cold, warm, limit, worst, peers={})
    return timed, answers


def _beside(
    kind: type[Peer], chosen: Survey, draws: Sequence[Array], answers: Sequence[Array]
) -> Beside:
    """Time a peer on the same values, and hold the objectives together."""
    build, peer = seconds(partial(kind, chosen))
    first, _ = seconds(partial(peer.solve, draws[0]))
    found = Beside(build, first)
    for values, ours in zip(draws, answers, strict=True):
        answer = peer.solve(values)
        found.solves.append(middle(partial(peer.solve, values), most=EACH))
        best = judge.objective(chosen, values, ours)
        gap = -judge.above(judge.objective(chosen, values, answer.flows), best)
        if not answer.good or gap < -judge.SAME:
            answer = peer.solve(values, ours)
            gap = -judge.above(judge.objective(chosen, values, answer.flows), best)
            found.again += answer.good
            if not answer.good:
                found.failed += 1
                gap = max(gap, 0.0)
        found.gap = max(found.gap, abs(gap))
    return found


def run(row: Row, told: Callable[[str], object]) -> Result:
    """Measure a row; ``told`` hears of each flowsheet as it is done."""
    result = Result(row, [], [])
    for seed in range(1, row.flowsheets + 1):
        chosen = survey(row.family, row.streams, row.components, seed)
        rng = np.random.default_rng(seed)
        draws = [chosen.draw(rng) for _ in range(row.draws)]
        gc.collect()
        try:
            timed, answers = _engine(chosen, draws)
        except (engine.Unsolved, StartError, OverBudget, np.linalg.LinAlgError) as problem:
            result.unsolved.append(f"seed {seed}: {problem}")
            told(f"{row.name} {result.unsolved[-1]}")
            continue
        for kind in row.peers:
            timed.peers[kind.name] = _beside(kind, chosen, draws, answers)
        for kind in row.slow:
            timed.peers[kind.name] = _beside(kind, chosen, draws[:1], answers[:1])
        result.timed.append(timed)
        told(f"{row.name} seed {seed}: {timed.solve * 1e3:.2f} ms {timed.wrong}")
    return result


def warm_up() -> None:
    """
    Let everything load and compile before anything is timed, on both roads and at both sizes.

    A fixed reading sends the engine over its general road.
    """
    every: tuple[type[Peer], ...] = (*BOTH, Sequential)
    for streams, components, kinds in ((8, 2, every), (8, 0, (Convex,)), (300, 2, ())):
        chosen = survey(Family.DENSE, streams, components, 1)
        draws = [chosen.draw(np.random.default_rng(1))]
        _, answers = _engine(chosen, draws)
        for kind in kinds:
            _beside(kind, chosen, draws, answers)
        readings = chosen.readings(draws[0])
        engine.whole(chosen, (replace(readings[0], sd=0.0), *readings[1:]))
