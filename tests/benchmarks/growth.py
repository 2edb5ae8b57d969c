"""How the engine's cost grows with one thing at a time: a power law fitted to medians."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from tests.benchmarks import engine, stack
from tests.benchmarks.flowsheets import Family, Survey, survey
from tests.benchmarks.measure import NONE, middle, seconds

STEPS = ("build", "solve", "evidence", "its first")
"""What is timed: the evidence with the plan kept, and the first of a plan."""


Times = dict[str, float]
"""Seconds of each step, and under ``iterations`` how many the solve took."""


def _times(chosen: Survey, seed: int) -> Times:
    values = chosen.draw(np.random.default_rng(seed))
    build, made = seconds(partial(engine.Engine, chosen, chosen.readings(chosen.sd)))
    made.solve(values)
    solve = middle(partial(made.solve, values))
    solution = made.solve(values)
    telling = partial(engine.evidence, solution, chosen.readings(values))
    first, told = seconds(telling)[0], middle(telling)
    steps = solution.optimum.iterations
    spent = {"build": build, "solve": solve, "evidence": told, "its first": first}
    return spent | {"iterations": steps}


@dataclass(frozen=True)
class Series:
    """One thing that grows; ``times`` gives the seconds for its size and a seed."""

    name: str
    sizes: tuple[float, ...]
    times: Callable[[float, int], Times]


SERIES = (
    Series(
        "streams S (lines, 3 components)",
        (50, 100, 200, 500, 1000, 2000),
        lambda size, seed: _times(survey(Family.LINES, int(size), 3, seed), seed),
    ),
    Series(
        "streams S (dense, 3 components)",
        (50, 100, 200, 500, 1000),
        lambda size, seed: _times(survey(Family.DENSE, int(size), 3, seed), seed),
    ),
    Series(
        "components C (lines, 100 streams)",
        (1, 2, 4, 8, 16, 32),
        lambda size, seed: _times(survey(Family.LINES, 100, int(size), seed), seed),
    ),
    Series(
        "share not read (lines, 200 streams, 5 components)",
        (0.02, 0.05, 0.1, 0.2, 0.4),
        lambda size, seed: _times(survey(Family.LINES, 200, 5, seed, missing=size), seed),
    ),
    Series(
        "further recycles, per stream (lines, 200 streams, 3 components)",
        (0.02, 0.05, 0.1, 0.2, 0.4),
        lambda size, seed: _times(survey(Family.LINES, 200, 3, seed, recycles=size), seed),
    ),
    Series(
        "shifts (stack of 8 streams, 4 components)",
        (10, 100, 1000, 10000),
        lambda size, seed: {"solve": stack.shifts_time(size, seed)},
    ),
)

QUICK_SIZES = 3
"""Sizes of each series in a quick run."""


@dataclass(frozen=True)
class Grown:
    """Median seconds of each step at each size solved, and the exponents fitted to them."""

    name: str
    sizes: tuple[float, ...]
    medians: dict[str, list[float]]
    unsolved: int

    @property
    def steps(self) -> list[str]:
        """The steps that were timed."""
        return [step for step in STEPS if step in self.medians]

    def exponent(self, step: str) -> float:
        """Give the slope of the logarithm of the seconds over that of the size."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.medians[step]), 1)[0])


def grown(series: Series, seeds: Sequence[int], *, quick: bool) -> Grown:
    """Measure a series, a median over the seeds that were solved at each size."""
    sizes, medians, unsolved = [], defaultdict[str, list[float]](list), 0
    for size in series.sizes[:QUICK_SIZES] if quick else series.sizes:
        found = []
        for seed in seeds:
            try:
                found.append(series.times(size, seed))
            except NONE:
                unsolved += 1
        if not found:
            continue
        sizes.append(size)
        for step in found[0]:
            medians[step].append(statistics.median(times[step] for times in found))
    return Grown(series.name, tuple(sizes), dict(medians), unsolved)


def plot(all_grown: Sequence[Grown], file: Path) -> None:
    """Write the series as log-log plots, side by side, in the format of the file's suffix."""
    from matplotlib.figure import Figure  # noqa: PLC0415 - only those who want the plot need it

    columns = min(3, len(all_grown))
    rows = math.ceil(len(all_grown) / columns)
    figure = Figure(figsize=(5 * columns, 4 * rows), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for one, axis in zip(all_grown, axes, strict=False):
        for step in one.steps:
            label = f"{step}, exponent {one.exponent(step):.2f}"
            axis.loglog(one.sizes, [1e3 * s for s in one.medians[step]], marker="o", label=label)
        axis.set_xlabel(one.name)
        axis.set_ylabel("ms")
        axis.grid(visible=True, which="both", alpha=0.3)
        axis.legend()
    for axis in axes[len(all_grown) :]:
        axis.set_visible(False)
    figure.savefig(file)
