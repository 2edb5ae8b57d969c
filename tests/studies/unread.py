"""
How long the worst balances take where much is unread, and whether two states of the engine agree.

Run ``OMP_NUM_THREADS=1 python -m tests.studies.unread 1 160`` from the root: it solves flowsheets
of these seeds, of seven sizes with a tenth to half of their readings missing, and prints how times
spread.  ``--save FILE`` keeps what each came to, and ``--against FILE`` compares with what another
state of the engine has kept.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

from tests.benchmarks import engine
from tests.benchmarks.flowsheets import Family, survey

SIZES = ((6, 2), (8, 3), (8, 10), (12, 4), (15, 4), (20, 3), (30, 10))
"""Streams and components."""

SHARES = (0.1, 0.3, 0.5)
"""Shares of the readings that are missing."""

LONG_MS = 500.0
"""What no balance of this size should take."""

SAME = 1e-6
"""Difference of two objectives, beside one and their size, that tells two optima apart."""


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def solved(streams: int, components: int, share: float, seed: int) -> tuple[float | None, float]:
    """Give the objective that one set of values comes to, or nothing, and the milliseconds."""
    chosen = survey(Family.DENSE, streams, components, seed, missing=share)
    values = chosen.draw(np.random.default_rng(seed))
    made = engine.Engine(chosen)
    begun = time.process_time()
    try:
        cost: float | None = float(made.solve(values).cost)
    except engine.Unsolved:
        cost = None
    return cost, 1e3 * (time.process_time() - begun)


def compare(ours: dict[str, float | None], theirs: dict[str, float | None]) -> None:
    """Print where two states of the engine came to different optima."""
    lower, higher = 0, 0
    for name in ours.keys() & theirs.keys():
        mine, other = ours[name], theirs[name]
        if mine is None or other is None:
            if mine is not other:
                say(f"{name}: {other} before, {mine} now")
            continue
        gap = (mine - other) / (1 + abs(other))
        if abs(gap) > SAME:
            say(f"{name}: {other:.9g} before, {mine:.9g} now")
            lower, higher = lower + (gap < 0), higher + (gap > 0)
    say(f"of {len(ours.keys() & theirs.keys())} now {lower} lower, {higher} higher")


def main(arguments: list[str]) -> None:
    """Solve, print and compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--save", type=Path)
    parser.add_argument("--against", type=Path)
    asked = parser.parse_args(arguments)
    solved(*SIZES[0], SHARES[0], 0)
    costs: dict[str, float | None] = {}
    every: list[float] = []
    say("| streams | components | missing | median, ms | p90 | p99 | longest |")
    say("| --- " * 7 + "|")
    for streams, components in SIZES:
        for share in SHARES:
            spent = []
            for seed in range(asked.first, asked.last + 1):
                name = f"{streams} x {components}, {share:.0%} missing, seed {seed}"
                costs[name], took = solved(streams, components, share, seed)
                spent.append(took)
            every += spent
            marks = np.quantile(spent, (0.5, 0.9, 0.99, 1.0))
            shown = " | ".join(f"{mark:.3g}" for mark in marks)
            say(f"| {streams} | {components} | {share:.0%} | {shown} |")
    long = sum(took > LONG_MS for took in every)
    say(f"{len(every)} balances in {sum(every) / 1e3:.1f} s, {long} over {LONG_MS:.0f} ms")
    say(f"{sum(cost is None for cost in costs.values())} without an optimum")
    if asked.save:
        asked.save.write_text(json.dumps(costs))
    if asked.against:
        compare(costs, json.loads(asked.against.read_text()))


if __name__ == "__main__":
    main(sys.argv[1:])
