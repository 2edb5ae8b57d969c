"""How the engine's cost grows with one thing at a time: a power law fitted to medians."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks import engine
from tests.benchmarks.flowsheets import Family, Survey, survey
from tests.benchmarks.measure import middle, seconds

STEPS = ("build", "solve", "evidence")
"""What is timed."""


@dataclass(frozen=True)
class Series:
    """One thing that grows; ``make`` gives the survey for its size and a seed."""

    name: str
    sizes: tuple[float, ...]
    make: Callable[[float, int], Survey]


SERIES = (
    Series(
        "streams S (lines, 3 components)",
        (50, 100, 200, 500, 1000, 2000),
        lambda size, seed: survey(Family.LINES, int(size), 3, seed),
    ),
    Series(
        "streams S (dense, 3 components)",
        (50, 100, 200, 500, 1000),
        lambda size, seed: survey(Family.DENSE, int(size), 3, seed),
    ),
    Series(
        "components C (lines, 100 streams)",
        (1, 2, 4, 8, 16, 32),
        lambda size, seed: survey(Family.LINES, 100, int(size), seed),
    ),
    Series(
        "share not read (lines, 200 streams, 5 components)",
        (0.02, 0.05, 0.1, 0.2, 0.4),
        lambda size, seed: survey(Family.LINES, 200, 5, seed, missing=size),
    ),
    Series(
        "further recycles, per stream (lines, 200 streams, 3 components)",
        (0.02, 0.05, 0.1, 0.2, 0.4),
        lambda size, seed: survey(Family.LINES, 200, 3, seed, recycles=size),
    ),
)

QUICK_SIZES = 3
"""Sizes of each series in a quick run."""


@dataclass(frozen=True)
class Grown:
    """Median seconds of each step at each size, and the exponents fitted to them."""

    name: str
    sizes: tuple[float, ...]
    seconds: dict[str, list[float]]
    iterations: list[float]

    def exponent(self, step: str) -> float:
        """Give the slope of the logarithm of the seconds over that of the size."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.seconds[step]), 1)[0])


def _times(chosen: Survey, seed: int) -> tuple[tuple[float, ...], int]:
    values = chosen.draw(np.random.default_rng(seed))
    build, made = seconds(lambda: engine.Engine(chosen))
    made.solve(values)
    solve = middle(lambda: made.solve(values))
    solution = made.solve(values)
    told = middle(lambda: engine.evidence(solution, chosen.readings(values)))
    return (build, solve, told), solution.optimum.iterations


def grown(series: Series, seeds: Sequence[int], *, quick: bool) -> Grown:
    """Measure a series, a median over the seeds at each size."""
    sizes = series.sizes[:QUICK_SIZES] if quick else series.sizes
    spent: dict[str, list[float]] = {step: [] for step in STEPS}
    iterations = []
    for size in sizes:
        found = [_times(series.make(size, seed), seed) for seed in seeds]
        for step, times in zip(STEPS, zip(*(t for t, _ in found), strict=True), strict=True):
            spent[step].append(statistics.median(times))
        iterations.append(statistics.median(i for _, i in found))
    return Grown(series.name, sizes, spent, iterations)


def plot(all_grown: Sequence[Grown], file: Path) -> None:
    """Write the series as log-log plots, side by side, in the format of the file's suffix."""
    from matplotlib.figure import Figure  # noqa: PLC0415 - only those who want the plot need it

    columns = min(3, len(all_grown))
    rows = math.ceil(len(all_grown) / columns)
    figure = Figure(figsize=(5 * columns, 4 * rows), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for one, axis in zip(all_grown, axes, strict=False):
        for step in STEPS:
            label = f"{step}, exponent {one.exponent(step):.2f}"
            axis.loglog(one.sizes, [1e3 * s for s in one.seconds[step]], marker="o", label=label)
        axis.set_xlabel(one.name)
        axis.set_ylabel("ms")
        axis.grid(visible=True, which="both", alpha=0.3)
        axis.legend()
    for axis in axes[len(all_grown) :]:
        axis.set_visible(False)
    figure.savefig(file)
