"""Times of one size: engine and peers on the same seeded flowsheets, draw by draw."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

import numpy as np

from reconcile.kernel.budget import OverBudget
from reconcile.solution import Solution
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

    ``slow`` peers see one set of values of each; evidence and whole calls are timed on the first
    ``told`` flowsheets.
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
    told: int = 1_000_000


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
    Row("10000x3-lines", Family.LINES, 10000, 3, 10, 1, BOTH, LARGE, told=1),
    Row("10000x10-lines", Family.LINES, 10000, 10, 10, 1, BOTH, LARGE, told=1),
)

QUICK_STREAMS = 1000
"""Rows above this are left out of a quick run."""


def quick_flowsheets(streams: int) -> int:
    """Give how many flowsheets a quick run takes of a size."""
    if streams <= 30:
        return 4
    return 2 if streams <= 100 else 1


def quick(row: Row) -> Row:
    """Give the row with few flowsheets and draws."""
    return replace(row, flowsheets=quick_flowsheets(row.streams), draws=min(row.draws, 4))


@dataclass
class Beside:
    """
    A peer's seconds and what came out beside the engine's answer.

    ``solves`` are those of each set of values, in the order of the engine's.
    ``gap``: the largest amount by which the engine's objective is above that of an optimum of the
    peer's: a wrong answer.  Draws on which the peer came to an optimum that is higher, or to none,
    are counted: ``again`` where it agreed once started from the engine's answer, ``higher`` where
    not.  The engine is right there all the same, since its flows are judged to be allowed and their
    objective is recomputed.
    """

    build: float
    first: float
    solves: list[float] = field(default_factory=list)
    gap: float = 0.0
    again: int = 0
    higher: int = 0

    @property
    def solve(self) -> float:
        """The median solve."""
        return statistics.median(self.solves)


@dataclass(frozen=True)
class Told:
    """
    Seconds of the evidence by itself and of the public call, cold and warm.

    The ``first`` of a plan, and with the plan kept: ``evidence`` is all numbers, ``named`` also
    gives every one of them its name, as no caller waits for who does not ask.
    """

    first: float
    evidence: float
    named: float
    cold: float
    warm: float


@dataclass
class Timed:
    """One flowsheet's seconds in the engine, its verdict and its peers."""

    build: float
    first: float
    solves: list[float]
    factor: float
    verdict: judge.Verdict
    told: Told | None
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
    """A row's flowsheets; what is wrong and what was not solved, each with its seed."""

    row: Row
    timed: list[Timed] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    unsolved: list[str] = field(default_factory=list)


EACH, LONG = 3, 1.0
"""How often a solve is timed for one set of values, the median counts; once if it takes so long."""


def seconds(work: Callable[[], T]) -> tuple[float, T]:
    """
    Give how long a piece of work took and what it gave.

    Processor time of this process, which is at nothing else: on a machine that others share, time
    by the clock says more of them than of the work.
    """
    begun = time.process_time()
    found = work()
    return time.process_time() - begun, found


def middle(work: Callable[[], object], least: float = 0.02, most: int = 20) -> float:
    """Give the median time of a piece of work repeated for ``least`` seconds or ``most`` times."""
    spent = [seconds(work)[0]]
    while sum(spent) < least and len(spent) < most:
        spent.append(seconds(work)[0])
    return statistics.median(spent)


NONE = (engine.Unsolved, StartError, OverBudget, np.linalg.LinAlgError)
"""How the engine ends without an answer."""


@dataclass
class _Answers:
    """What the engine gave for the sets of values that it solved."""

    draws: list[Array] = field(default_factory=list)
    flows: list[Array] = field(default_factory=list)
    solves: list[float] = field(default_factory=list)
    unsolved: list[str] = field(default_factory=list)
    last: Solution | None = None


def _answers(made: engine.Engine, draws: Sequence[Array]) -> _Answers:
    found = _Answers()
    for number, values in enumerate(draws, start=1):
        try:
            spent, solution = timed_solve(partial(made.solve, values))
        except NONE as problem:
            found.unsolved.append(f"draw {number}: {problem}")
            continue
        found.draws.append(values)
        found.last = solution
        found.flows.append(made.flows(solution))
        found.solves.append(spent)
    return found


def timed_solve(work: Callable[[], T]) -> tuple[float, T]:
    """Give the time of a solve for one set of values, and what it gave."""
    spent, found = seconds(work)
    if spent < LONG:
        spent = statistics.median([spent, *(seconds(work)[0] for _ in range(EACH - 1))])
    return spent, found


def _told(chosen: Survey, values: Array, solution: Solution) -> Told:
    readings = chosen.readings(values)
    first, _ = seconds(partial(engine.evidence, solution, readings))
    evidence = middle(partial(engine.evidence, solution, readings))
    named = middle(partial(engine.named, solution, readings))
    engine.forget()
    cold = seconds(partial(engine.whole, chosen, readings))[0]
    return Told(first, evidence, named, cold, middle(partial(engine.whole, chosen, readings)))


def _first(made: engine.Engine, values: Array) -> float:
    """Give the time of the first solve on a new plan, whether or not it comes to anything."""
    begun = time.process_time()
    with suppress(*NONE):
        made.solve(values)
    return time.process_time() - begun


def _engine(
    chosen: Survey, draws: Sequence[Array], *, told: bool = True
) -> tuple[Timed | None, _Answers]:
    """Time the engine on every set of values; give the answers as well."""
    # The readings are what a caller has to begin with, like the arrays that a peer is built from.
    readings = chosen.readings(chosen.sd)
    build, made = seconds(partial(engine.Engine, chosen, readings))
    first = _first(made, draws[0])
    found = _answers(made, draws)
    if found.last is None:
        return None, found
    verdicts = [judge.judged(chosen, y, x) for y, x in zip(found.draws, found.flows, strict=True)]
    limit = middle(engine.Factor(made.plan).run)
    said = _told(chosen, found.draws[-1], found.last) if told else None
    return Timed(build, first, found.solves, limit, judge.worst(verdicts), said, peers={}), found


def _beside(
    kind: type[Peer], chosen: Survey, draws: Sequence[Array], answers: Sequence[Array]
) -> Beside:
    """Time a peer on the same values, and hold the objectives together."""
    build, peer = seconds(partial(kind, chosen))
    first, _ = seconds(partial(peer.solve, draws[0]))
    found = Beside(build, first)
    for values, ours in zip(draws, answers, strict=True):
        spent, answer = timed_solve(partial(peer.solve, values))
        found.solves.append(spent)
        best = judge.objective(chosen, values, ours)
        found.gap = max(found.gap, judge.short(chosen, values, answer, best))
        if not judge.agrees(chosen, values, answer, best):
            agreed = judge.agrees(chosen, values, peer.solve(values, ours), best)
            found.again += agreed
            found.higher += not agreed
    return found


def run(row: Row, told: Callable[[str], object]) -> Result:
    """Measure a row; ``told`` hears of each flowsheet as it is done."""
    result = Result(row)
    for seed in range(1, row.flowsheets + 1):
        chosen = survey(row.family, row.streams, row.components, seed)
        rng = np.random.default_rng(seed)
        draws = [chosen.draw(rng) for _ in range(row.draws)]
        gc.collect()
        timed, found = _engine(chosen, draws, told=seed <= row.told)
        result.unsolved += [f"seed {seed}, {problem}" for problem in found.unsolved]
        if timed is not None:
            for kind in (*row.peers, *row.slow):
                seen = slice(None) if kind in row.peers else slice(1)
                timed.peers[kind.name] = _beside(kind, chosen, found.draws[seen], found.flows[seen])
            result.timed.append(timed)
            result.wrong += [f"seed {seed}: {timed.wrong}"] if timed.wrong else []
        said = f"{timed.solve * 1e3:.2f} ms {timed.wrong}" if timed else "not solved"
        told(f"{row.name}, seed {seed}: {said}")
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
        _, found = _engine(chosen, draws)
        for kind in kinds:
            _beside(kind, chosen, found.draws, found.flows)
        readings = chosen.readings(draws[0])
        engine.whole(chosen, (replace(readings[0], sd=0.0), *readings[1:]))
