"""
The benchmark's command.

``python -m tests.benchmarks`` from the root prints Markdown; ``--quick`` ends within two minutes.
It ends with 1 if an answer is wrong or missing: a fast wrong answer is no answer.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from tests.benchmarks import growth, measure, memory, stack, table
from tests.benchmarks.flowsheets import Family
from tests.benchmarks.measure import QUICK_STREAMS, ROWS, Row

NAMES = [row.name for row in (*ROWS, *stack.ROWS)]
"""What can be measured by itself."""

SECTIONS = ("rows", "stack", "memory", "growth")

MEMORIES = ((100, 10), (1000, 10), (10000, 3), (10000, 10))
"""Streams and components of the lines whose memory is measured."""

SEEDS, QUICK_SEEDS = (1, 2, 3, 4, 5), (1,)
"""Flowsheets of each size where growth is measured."""


def _arguments(given: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser("python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few flowsheets, none above 1,000")
    parser.add_argument("--rows", nargs="*", choices=NAMES, help="only these rows")
    parser.add_argument("--sections", nargs="*", choices=SECTIONS, default=SECTIONS)
    parser.add_argument("--flowsheets", type=int, help="how many flowsheets a row, from seed 1 on")
    parser.add_argument("--plot", type=Path, help="write growth as log-log plots to this file")
    return parser.parse_args(given)


def _rows(chosen: argparse.Namespace) -> list[Row]:
    rows = [r for r in ROWS if chosen.rows is None or r.name in chosen.rows]
    if chosen.quick:
        rows = [measure.quick(r) for r in rows if r.streams <= QUICK_STREAMS]
    if chosen.flowsheets:
        rows = [replace(r, flowsheets=chosen.flowsheets) for r in rows]
    return rows


def _told(line: str) -> None:
    sys.stderr.write(line + "\n")


def _written(*parts: str) -> None:
    sys.stdout.write("\n".join(parts) + "\n")
    sys.stdout.flush()


def _measured(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return []
    results = [measure.run(row, _told) for row in rows]
    _written(
        "## The engine, ms\n",
        table.engine(results),
        "## Beside others, ms\n",
        table.peers(results),
        table.limits(results),
    )
    return [f"{r.row.name}, {line}" for r in results for line in (*r.wrong, *r.unsolved)]


def _stacks(chosen: argparse.Namespace) -> list[str]:
    rows = [r for r in stack.ROWS if chosen.rows is None or r.name in chosen.rows]
    rows = [stack.quick(r) for r in rows] if chosen.quick else rows
    if chosen.flowsheets:
        rows = [replace(r, flowsheets=chosen.flowsheets) for r in rows]
    if not rows:
        return []
    stack.warm_up()
    results = [stack.run(row, _told) for row in rows]
    _written("## Stacks of shifts\n", table.stack(results))
    return [f"{r.row.name}, {line}" for r in results for line in r.wrong]


def _memory(*, quick: bool) -> None:
    sizes = [size for size in MEMORIES if not quick or size[0] <= QUICK_STREAMS]
    found = [(f"{s}x{c}-lines", memory.fresh(Family.LINES, s, c)) for s, c in sizes]
    _written("## Memory\n", table.memory(found))


def _growth(*, quick: bool, file: Path | None) -> None:
    seeds = QUICK_SEEDS if quick else SEEDS
    found = [growth.grown(series, seeds, quick=quick) for series in growth.SERIES]
    _written("## How cost grows\n", table.growth(found))
    if file is not None:
        growth.plot(found, file)


def main(given: Sequence[str] | None = None) -> int:
    """Measure and print; give the exit status."""
    chosen = _arguments(given)
    _written(table.setting())
    measure.warm_up()
    wrong: list[str] = []
    if "rows" in chosen.sections:
        wrong += _measured(_rows(chosen))
    if "stack" in chosen.sections:
        wrong += _stacks(chosen)
    if "memory" in chosen.sections:
        _memory(quick=chosen.quick)
    if "growth" in chosen.sections:
        _growth(quick=chosen.quick, file=chosen.plot)
    if wrong:
        _written("## Wrong or missing\n", *(f"- {line}" for line in wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
