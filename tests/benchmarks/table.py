"""The figures as Markdown."""

from __future__ import annotations

import os
import platform
import statistics
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version

from tests.benchmarks import stack as stacks
from tests.benchmarks.growth import STEPS, Grown
from tests.benchmarks.measure import BOTH, Beside, Goal, Result, Timed, Told
from tests.benchmarks.memory import Memory

PACKAGES = ("numpy", "scipy", "numba", "casadi", "cvxpy", "clarabel")
"""What the times depend on."""

LIMIT_FROM = 1000
"""Streams from which a solve is held to ten factorisations."""

MOST_FACTORS = 10.0
"""Factorisations that a solve may take there."""


def markdown(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Give a table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines) + "\n"


def setting() -> str:
    """Say where, when and with what the figures were measured."""
    packages = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    load = os.getloadavg()[0]
    return (
        f"Measured {datetime.now(UTC):%Y-%m-%d %H:%M} UTC on {platform.machine()}, "
        f"{os.cpu_count()} cores, one used (OMP_NUM_THREADS=1, set by the command), load "
        f"{load:.2f} at the start; Python {platform.python_version()}, {packages}.\n"
    )


def _ms(seconds: float) -> str:
    value = 1e3 * seconds
    return f"{value:.3g}" if value < 100 else f"{value:,.0f}"


def _middle(values: Iterable[float]) -> float:
    return statistics.median(values)


def _factors(timed: Timed) -> float:
    return timed.solve / timed.factor


ENGINE = (
    *("work", "flowsheets", "draws", "not solved", "wrong", "build", "solve", "evidence"),
    *("evidence / solve", "with all names / solve", "first of a plan", "whole call, cold", "warm"),
    "one factorisation",
    *("solve / factorisation", "KKT", "closure"),
)


def engine(results: Sequence[Result]) -> str:
    """
    Give the engine's own times, ms: medians over the flowsheets, ratios with the worst in brackets.

    Evidence is that with the plan kept, and the first of a plan, in which what depends on the plan
    alone is worked out.  Evidence and whole calls of the largest sizes are those of the first
    flowsheet.
    """
    rows = []
    for result in results:
        row, timed = result.row, result.timed
        counts = [row.flowsheets, row.draws, len(result.unsolved), len(result.wrong)]
        begin = [row.name, *map(str, counts)]
        if not timed:
            rows.append([*begin, *["-"] * (len(ENGINE) - len(begin))])
            continue
        said = [(t, t.told) for t in timed if t.told is not None]
        rows.append(
            [
                *begin,
                _ms(_middle(t.build for t in timed)),
                _ms(_middle(t.solve for t in timed)),
                *_of_told(said),
                _ms(_middle(t.factor for t in timed)),
                _with_worst([_factors(t) for t in timed]),
                f"{max(t.verdict.kkt for t in timed):.0e}",
                f"{max(t.verdict.closure for t in timed):.0e}",
            ]
        )
    return markdown(ENGINE, rows)


def _with_worst(values: Sequence[float]) -> str:
    return f"{_middle(values):.1f} ({max(values):.1f})"


def _of_told(said: Sequence[tuple[Timed, Told]]) -> list[str]:
    if not said:
        return ["-"] * 6
    return [
        _ms(_middle(told.evidence for _, told in said)),
        _with_worst([told.evidence / timed.solve for timed, told in said]),
        _with_worst([told.named / timed.solve for timed, told in said]),
        _ms(_middle(told.first for _, told in said)),
        _ms(_middle(told.cold for _, told in said)),
        _ms(_middle(told.warm for _, told in said)),
    ]


def fastest(timed: Timed) -> Beside:
    """Give the faster of the forms that IPOPT saw."""
    found = [timed.peers[kind.name] for kind in BOTH if kind.name in timed.peers]
    return min(found, key=lambda p: p.solve)


def _ratios(pairs: Sequence[tuple[Timed, Beside]]) -> tuple[list[float], list[float]]:
    """
    Give how many times slower than the engine: each set of values by itself, each model's build.

    A peer may have seen the first sets of values only.
    """
    solve = [
        theirs / ours
        for timed, peer in pairs
        for theirs, ours in zip(peer.solves, timed.solves, strict=False)
    ]
    whole = [(p.build + p.first) / (t.build + t.first) for t, p in pairs]
    return solve, whole


def _met(goal: float, ratios: Sequence[float]) -> str:
    if min(ratios) >= goal:
        return "yes"
    return "median" if _middle(ratios) >= goal else "no"


def _goal(goal: Goal | None, solve: list[float], whole: list[float]) -> list[str]:
    if goal is None:
        return ["-", "-"]
    return [
        f"{goal.solve:g}: {_met(goal.solve, solve)}",
        f"{goal.with_build:g}: {_met(goal.with_build, whole)}",
    ]


FASTER = "IPOPT, the faster"

BESIDE = (
    *("work", "peer", "its build", "its solve", "solve alone: times faster", "with build"),
    *("goal alone", "goal with build", "engine above", "agrees again", "stays higher"),
)


def peers(results: Sequence[Result]) -> str:
    """Give the engine beside its peers: medians, and the worst case in brackets."""
    rows = []
    for result in results:
        names = dict.fromkeys(name for t in result.timed for name in t.peers)
        both = [(t, fastest(t)) for t in result.timed]
        sets = [(name, [(t, t.peers[name]) for t in result.timed]) for name in names]
        if both:
            sets.insert(0, (FASTER, both))
        for name, pairs in sets:
            goal = result.row.goal if name == FASTER else None
            solve, whole = _ratios(pairs)
            rows.append(
                [
                    *(result.row.name, name),
                    _ms(_middle(p.build for _, p in pairs)),
                    _ms(_middle(p.solve for _, p in pairs)),
                    f"{_middle(solve):.2f} ({min(solve):.2f})",
                    f"{_middle(whole):.2f} ({min(whole):.2f})",
                    *_goal(goal, solve, whole),
                    f"{max(p.gap for _, p in pairs):.0e}",
                    str(sum(p.again for _, p in pairs)),
                    str(sum(p.higher for _, p in pairs)),
                ]
            )
    return markdown(BESIDE, rows)


def limits(results: Sequence[Result]) -> str:
    """Say of the large rows whether a solve is within ten factorisations."""
    large = [r for r in results if r.row.streams >= LIMIT_FROM and r.timed]
    lines = [
        f"- {r.row.name}: {_met(-MOST_FACTORS, [-_factors(t) for t in r.timed])}" for r in large
    ]
    return f"A solve within {MOST_FACTORS:g} factorisations:\n\n" + "\n".join(lines) + "\n"


MEMORY = (
    *("flowsheet", "entries of the system", "of its factor", "loaded, MB", "with the solve"),
    *("with the evidence", "bytes an entry, solve", "evidence"),
)


def memory(found: Sequence[tuple[str, Memory | str]]) -> str:
    """Give peaks of resident memory, each in a fresh process."""
    rows = []
    for name, one in found:
        if isinstance(one, str):
            rows.append([name, one, *["-"] * 6])
            continue
        peaks = [one.solved, one.told]
        shown = ["not done" if peak is None else f"{peak:.0f}" for peak in peaks]
        each = ["-" if p is None else f"{1e6 * (p - one.before) / one.entries:.0f}" for p in peaks]
        sizes = f"{one.stated:,}", f"{one.entries:,}", f"{one.before:.0f}"
        rows.append([name, *sizes, *shown, *each])
    return markdown(MEMORY, rows)


STACK = (
    *("work", "flowsheets", "shifts", "patterns", "not solved", "wrong", "cold, s", "warm, s"),
    *(
        "balances a second",
        "IPOPT, ms a shift",
        "times faster",
        "goal",
        "engine above",
        "stays higher",
    ),
)


def stack(results: Sequence[stacks.Result]) -> str:
    """Give stacks beside IPOPT in a loop: medians over the flowsheets, the worst in brackets."""
    rows = []
    for result in results:
        timed = result.timed
        faster = [t.faster for t in timed]
        rows.append(
            [
                *(result.row.name, str(result.row.flowsheets), f"{result.row.shifts:,}"),
                f"{max(t.patterns for t in timed):,}",
                *(str(sum(t.unsolved for t in timed)), str(len(result.wrong))),
                f"{_middle(t.cold for t in timed):.3f}",
                f"{_middle(t.warm for t in timed):.3f}",
                f"{_middle(t.shifts / t.warm for t in timed):,.0f}",
                _ms(_middle(t.loop for t in timed)),
                f"{_middle(faster):.0f} ({min(faster):.0f})",
                f"{stacks.GOAL:g}: {_met(stacks.GOAL, faster)}",
                f"{max(t.gap for t in timed):.0e}",
                str(sum(t.higher for t in timed)),
            ]
        )
    return markdown(STACK, rows)


GROWTH = (
    *("what grows", "sizes", *(f"{step}: exponent" for step in STEPS)),
    *(*(f"{step}, ms" for step in STEPS), "steps", "not solved"),
)


def growth(found: Sequence[Grown]) -> str:
    """Give the exponents, and the median times that they were fitted to."""
    rows = []
    for one in found:
        exponents = [f"{one.exponent(s):.2f}" if s in one.steps else "-" for s in STEPS]
        times = [", ".join(_ms(m) for m in one.medians.get(s, ())) or "-" for s in STEPS]
        steps = ", ".join(f"{i:g}" for i in one.medians.get("iterations", ())) or "-"
        sizes = ", ".join(f"{size:g}" for size in one.sizes)
        rows.append([one.name, sizes, *exponents, *times, steps, str(one.unsolved)])
    return markdown(GROWTH, rows)
