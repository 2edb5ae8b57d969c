"""
Which further reading would tell explanations apart.

Each explanation moves the estimate of the true amounts by its own move.  A reading of what they
disagree about, taken anew, is foretold differently by each; the difference, in standard deviations
of the new reading and of its prediction, says how well it would tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Suspicion, Telling
from reconcile.flowsheet import SOLIDS, WATER
from reconcile.measurands import measurand
from reconcile.rows import measurands_as_ratios

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reconcile.findings import Hypothesis
    from reconcile.flowsheet import Flowsheet, Stream
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation
    from reconcile.measurands import Measurand
    from reconcile.readings import Reading

MOST_COMPARED = 4
"""Explanations that a reading has to tell apart."""

MOST_CANDIDATES = 400
"""Readings that are considered for one finding."""

LEAST_SEPARATION = 2.0
"""Standard deviations by which explanations must differ in what a reading should be, for it to
tell them apart (about 95 %)."""


@dataclass(frozen=True)
class Moved:
    """An explanation with what it does: its move of size one (n,), its size and the size's sd."""

    hypothesis: Hypothesis
    move: Floats
    size: float
    sd: float


def _near(
    sheet: Flowsheet, moved: Sequence[Moved], readings: Sequence[Reading]
) -> tuple[list[Stream], list[str]]:
    """Give the streams around what is suspected, nearest first, and the components concerned."""
    names: dict[str, None] = {}
    nodes: dict[str, None] = {}
    components: dict[str, None] = {}
    for one in moved:
        for i in one.hypothesis.readings:
            names.update(dict.fromkeys(readings[i].streams))
            for quantity in measurand(sheet, readings[i].of).quantities:
                if quantity in sheet.components:
                    components[str(quantity)] = None
        if one.hypothesis.node is not None:
            nodes[one.hypothesis.node] = None
    near = [s for s in sheet.streams if s.name in names]
    for stream in near:
        nodes.update(dict.fromkeys(n for n in (stream.source, stream.target) if n is not None))
    near += [s for s in sheet.streams if s.name not in names and {s.source, s.target} & set(nodes)]
    leaks = any(one.hypothesis.suspicion is Suspicion.LEAK for one in moved)
    return near, list(sheet.components) if leaks else list(components)


def _candidates(
    sheet: Flowsheet, moved: Sequence[Moved], readings: Sequence[Reading]
) -> Iterator[tuple[str, Measurand]]:
    near, components = _near(sheet, moved, readings)
    for stream in near:
        if stream.signed:
            continue
        for of in (SOLIDS, *((WATER,) if sheet.water else ()), *components):
            if sheet.holds(stream, of):
                yield stream.name, measurand(sheet, of)
    for one in moved:
        for i in one.hypothesis.readings:
            if len(readings[i].streams) == 1:
                yield readings[i].streams[0], measurand(sheet, readings[i].of)


def _usual_errors(
    sheet: Flowsheet, readings: Sequence[Reading]
) -> tuple[dict[tuple[str, Measurand], float], dict[Measurand, float]]:
    """Give the sd of each reading taken, and of each measurand the usual relative one."""
    of_reading: dict[tuple[str, Measurand], float] = {}
    relative: dict[Measurand, list[float]] = {}
    for reading in readings:
        if len(reading.streams) != 1 or reading.limit is not None:
            continue
        if not np.isfinite(reading.sd) or reading.sd == 0:
            continue
        of = measurand(sheet, reading.of)
        of_reading[reading.streams[0], of] = reading.sd
        if reading.value > 0:
            relative.setdefault(of, []).append(reading.sd / reading.value)
    return of_reading, {of: float(np.median(found)) for of, found in relative.items()}


def telling(
    at: Linearisation, moved: Sequence[Moved], readings: Sequence[Reading]
) -> tuple[Telling, ...]:
    """
    Give the reading that tells the explanations apart best, and the best of the other sort.

    The sorts are repeats of readings taken and readings that were not.  Where no single reading
    tells all of them apart, it is the one that does so for most pairs.  Empty with one explanation,
    or where no reading does so for any.
    """
    moved = moved[:MOST_COMPARED]
    model = at.solution.plan.model
    sheet = model.flowsheet
    wanted = list(dict.fromkeys(_candidates(sheet, moved, readings)))[:MOST_CANDIDATES]
    if len(moved) < 2 or not wanted:  # noqa: PLR2004 - nothing to tell apart
        return ()
    taken, usual = _usual_errors(sheet, readings)
    value, gradient = at.of_ratios(measurands_as_ratios(model, [((s,), of) for s, of in wanted]))
    seen = at.observable(gradient) & np.isfinite(value)
    error = np.array(
        [
            taken.get((s, of), usual.get(of, np.inf) * v)
            for (s, of), v in zip(wanted, value, strict=True)
        ]
    )
    variance = error**2 + np.maximum(at.variance(gradient), 0.0)
    moves = np.array([gradient @ one.move for one in moved])
    foretold = moves * np.array([one.size for one in moved])[:, None]
    own = (moves * np.array([one.sd for one in moved])[:, None]) ** 2
    apart = np.array(
        [
            np.abs(foretold[a] - foretold[b]) / np.sqrt(variance + np.maximum(own[a], own[b]))
            for a in range(len(moved))
            for b in range(a)
        ]
    )
    apart = np.where(seen & np.isfinite(apart), apart, 0.0)
    return tuple(_best_of_each_sort(wanted, apart, taken))


def _best_of_each_sort(
    wanted: Sequence[tuple[str, Measurand]],
    apart: Floats,
    taken: dict[tuple[str, Measurand], float],
) -> Iterator[Telling]:
    """Give the reading that tells most pairs apart (pairs, wanted), and those best."""
    told = apart >= LEAST_SEPARATION
    count = told.sum(axis=0)
    least = np.where(told, apart, np.inf).min(axis=0)
    sorts: set[bool] = set()
    for k in np.lexsort((-np.where(count > 0, least, 0.0), -count)).tolist():
        repeats = wanted[k] in taken
        if not count[k] or repeats in sorts:
            continue
        sorts.add(repeats)
        stream, of = wanted[k]
        yield Telling(stream, of, repeats, float(least[k]), bool(told[:, k].all()))
