"""The figures as Markdown."""

from __future__ import annotations

import os
import platform
import statistics
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version

from tests.benchmarks.growth import STEPS, Grown
from tests.benchmarks.measure import BOTH, Beside, Goal, Result, Timed
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
    *("work", "flowsheets", "draws", "build", "solve", "evidence", "evidence / solve"),
    *("whole call, cold", "warm", "one factorisation", "solve / factorisation", "KKT, closure"),
)


def engine(results: Sequence[Result]) -> str:
    """Give the engine's own times, ms; medians over the flowsheets, ratios with their worst."""
    rows = []
    for result in results:
        row, timed = result.row, result.timed
        done = f"{len(timed)} of {row.flowsheets}" if result.unsolved else str(row.flowsheets)
        if not timed:
            rows.append([row.name, f"0 of {row.flowsheets}", str(row.draws), *["-"] * 9])
            continue
        told = [t.evidence / t.solve for t in timed]
        factors = [_factors(t) for t in timed]
        kkt = max(t.verdict.kkt for t in timed)
        closure = max(t.verdict.closure for t in timed)
        rows.append(
            [
                *(row.name, done, str(row.draws)),
                *(_ms(_middle(getattr(t, of) for t in timed)) for of in ENGINE[3:6]),
                f"{_middle(told):.1f} ({max(told):.1f})",
                *(_ms(_middle(getattr(t, of) for t in timed)) for of in ("cold", "warm", "factor")),
                f"{_middle(factors):.1f} ({max(factors):.1f})",
                f"{kkt:.0e}, {closure:.0e}",
            ]
        )
    return markdown(ENGINE, rows)


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
    *("goal alone", "goal with build", "largest gap", "again", "failed"),
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
                    str(sum(p.failed for _, p in pairs)),
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
        sizes = f"{one.entries:,}", f"{one.before:.0f}", f"{one.solved:.0f}", f"{one.told:.0f}"
        grown = (one.solved - one.before, one.told - one.before)
        each = [f"{1e6 * g / one.entries:.0f}" for g in grown]
        rows.append([name, f"{one.stated:,}", *sizes, *each])
    return markdown(MEMORY, rows)


def growth(found: Sequence[Grown]) -> str:
    """Give the exponents, and the median times that they were fitted to."""
    head = ["what grows", "sizes", *(f"{s}: exponent" for s in STEPS), *(f"{s}, ms" for s in STEPS)]
    rows = [
        [
            one.name,
            ", ".join(f"{size:g}" for size in one.sizes),
            *(f"{one.exponent(step):.2f}" for step in STEPS),
            *(", ".join(_ms(s) for s in one.seconds[step]) for step in STEPS),
            ", ".join(f"{i:g}" for i in one.iterations),
        ]
        for one in found
    ]
    return markdown([*head, "steps"], rows)
