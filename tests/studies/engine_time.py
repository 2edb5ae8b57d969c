"""
How long the engine takes for the three examples and for large flowsheets.

Run ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.engine_time`` from the root; seconds are those
of one process on one core, the best and the median of some runs after one that is not counted.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Sequence

import numpy as np

from reconcile import Balance, Flowsheet, Options, Reading, Stream, reconcile_balance
from reconcile.model import Model
from tests.request_files import flowsheet_of, load, readings_of
from tests.studies.coverage import EXAMPLES

LINE = 50
"""Streams in one of the parallel lines that make up a large flowsheet."""


def _line(number: int, rng: np.random.Generator) -> tuple[list[str], list[Stream]]:
    """Give one line: nodes in a row, each with a stream onward and one or two out or back."""
    nodes = [f"line {number} node {k}" for k in range(round(LINE / 2.6))]
    ends: list[tuple[str | None, str | None]] = [(None, nodes[0])]
    for k, node in enumerate(nodes):
        ends.append((node, nodes[k + 1] if k + 1 < len(nodes) else None))
        back = k > 0 and rng.random() > 0.6
        ends.append((node, nodes[int(rng.integers(0, k))] if back else None))
        if rng.random() < 0.5:
            ends.append((node, None))
    return nodes, [Stream(f"line {number} {i}", a, b) for i, (a, b) in enumerate(ends)]


def lines(streams: int, components: int, seed: int) -> tuple[Flowsheet, list[Reading]]:
    """
    Give parallel lines with recycles whose truth balances, 10 % unread, 2 % relative errors.

    The first stream onward of each node takes most of it, so that no flow dies out.
    """
    rng = np.random.default_rng(seed)
    nodes: list[str] = []
    all_streams: list[Stream] = []
    for number in range(max(1, streams // LINE)):
        more_nodes, more_streams = _line(number, rng)
        nodes += more_nodes
        all_streams += more_streams
    names = tuple(f"component {c}" for c in range(components))
    sheet = Flowsheet(tuple(nodes), tuple(all_streams), names)
    model = Model(sheet)
    share = rng.uniform(0.3, 1.0, model.streams)
    seen: set[str | None] = set()
    for i, stream in enumerate(all_streams):
        if stream.source is not None and stream.source not in seen:
            seen.add(stream.source)
            share[i] = rng.uniform(3.0, 6.0)
    feeds = np.full(model.streams, 100.0)
    grades = 10 ** rng.uniform(-3, -0.7, components) / components
    kinds = list(range(1, 1 + components))
    splits = share[:, None] * rng.uniform(0.5, 2.0, (model.streams, components))
    parts = model.flows(np.outer(feeds, grades), splits, kinds)
    rest = model.flows(feeds[:, None] * 0.5, share[:, None], [0])[:, 0]
    solids = rest + np.sum(parts, axis=1)
    readings = []
    for i, stream in enumerate(all_streams):
        truths = [
            ("mass", solids[i]),
            *((n, p[i] / solids[i]) for n, p in zip(names, parts.T, strict=True)),
        ]
        for of, truth in truths:
            if rng.random() >= 0.1:
                sd = 0.02 * float(truth)
                readings.append(Reading(stream.name, of, float(truth + sd * rng.normal()), sd))
    return sheet, readings


def timed(sheet: Flowsheet, readings: Sequence[Reading], runs: int) -> tuple[list[float], Balance]:
    """Give the seconds of some runs after one that is not counted, and the balance."""
    options = Options(time_budget_s=600.0, memory_budget_mb=8000.0)
    balance = reconcile_balance(sheet, readings, options)
    spent = []
    for _ in range(runs):
        begun = time.perf_counter()
        balance = reconcile_balance(sheet, readings, options)
        spent.append(time.perf_counter() - begun)
    return spent, balance


def _told(name: str, spent: list[float], balance: Balance) -> str:
    freedom = balance.test.degrees_of_freedom if balance.test else 0
    statistic = balance.test.statistic if balance.test else float("nan")
    return (
        f"{name}: best {min(spent) * 1e3:.1f} ms, median {statistics.median(spent) * 1e3:.1f} ms; "
        f"{balance.outcome}, {balance.iterations} steps, statistic {statistic:.1f} on {freedom}"
    )


def main() -> None:
    """Print the figures."""
    write = sys.stdout.write
    for name in ("tin-shed", "rougher-cleaner-scavenger", "flow-network"):
        request = load(EXAMPLES / f"{name}.json")
        spent, balance = timed(flowsheet_of(request), readings_of(request), 30)
        write(_told(name, spent, balance) + "\n")
    for streams, components in ((100, 10), (1000, 3), (1000, 10)):
        for seed in (1, 2, 3):
            sheet, readings = lines(streams, components, seed)
            spent, balance = timed(sheet, readings, 2)
            size = f"{len(sheet.streams)} streams x {components}, seed {seed}"
            write(_told(size, spent, balance) + "\n")


if __name__ == "__main__":
    main()
