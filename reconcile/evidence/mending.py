"""
Exchanges that would mend a balance, each fitted anew, where residuals tell nothing.

A pair of bags, or of figures, in each other's place may empty a stream of the balance, or leave no
balance at all; then there are no residuals to judge by.  Every exchange of two values, bags, trays
or components is therefore tried as it stands, side by side, where there are not too many.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Exchanged, Hypothesis, Suspicion
from reconcile.flowsheet import SOLIDS
from reconcile.measurands import measurand

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reconcile.flowsheet import Flowsheet
    from reconcile.kernel.problem import Floats
    from reconcile.measurands import Measurand
    from reconcile.readings import Reading

    from .refits import Objectives

MOST_TRIED = 2400
"""Exchanges that are all fitted anew: 150 blocks side by side, some seconds at most."""

_PAIR = 2


def _exchange(kind: Exchanged, pairs: Sequence[tuple[int, int]]) -> Hypothesis:
    return Hypothesis(Suspicion.EXCHANGE, tuple(i for p in pairs for i in p), exchanged=kind)


def every_exchange(sheet: Flowsheet, readings: Sequence[Reading]) -> Iterator[Hypothesis]:
    """Give every exchange of readings of single streams that count in full."""
    of_stream: dict[str, dict[Measurand, int]] = defaultdict(dict)
    for i, reading in enumerate(readings):
        counts = 0 < reading.sd < np.inf and reading.limit is None
        if counts and len(reading.streams) == 1:
            of_stream[reading.streams[0]][measurand(sheet, reading.of)] = i
    names = {*sheet.components, *sheet.analytes}
    for read in of_stream.values():
        assays = [i for of, i in read.items() if of.below and of.name in names]
        for pair in combinations(assays, 2):
            yield _exchange(Exchanged.COMPONENTS, [pair])
    for one, other in combinations(of_stream.values(), 2):
        common = [of for of in one if of in other]
        for of in common:
            yield _exchange(Exchanged.VALUES, [(one[of], other[of])])
        bags = [(one[of], other[of]) for of in common if of.below]
        trays = [(one[of], other[of]) for of in common if of.is_amount and of.name == SOLIDS]
        if len(bags) >= _PAIR:
            yield _exchange(Exchanged.SAMPLES, bags)
        if bags and trays:
            yield _exchange(Exchanged.TRAYS, [*trays, *bags])


def mending(
    sheet: Flowsheet, readings: Sequence[Reading], objectives: Objectives
) -> list[tuple[float, Hypothesis]]:
    """
    Give the objective with each exchange undone, the lowest first; empty where they are too many.

    What the side-by-side road does not settle is left out.
    """
    every = list(every_exchange(sheet, readings))
    if not every or len(every) > MOST_TRIED:
        return []
    values: Floats = np.tile([r.value for r in readings], (len(every), 1))
    sds: Floats = np.tile([r.sd for r in readings], (len(every), 1))
    for k, hypothesis in enumerate(every):
        one, other = list(hypothesis.readings[::2]), list(hypothesis.readings[1::2])
        for whole in (values, sds):
            whole[k, [*one, *other]] = whole[k, [*other, *one]]
    found = objectives(values, sds)
    settled = np.flatnonzero(np.isfinite(found))
    order = settled[np.argsort(found[settled], kind="stable")]
    return [(float(found[k]), every[k]) for k in order.tolist()]


def in_words(hypothesis: Hypothesis, readings: Sequence[Reading], p_value: float) -> str:
    """Say that there would be a balance with an exchange undone."""
    one, other = (readings[i] for i in hypothesis.readings[:2])
    between = f"{one.where} and {other.where}"
    what = {
        Exchanged.SAMPLES: f"all assays of {between}",
        Exchanged.TRAYS: f"mass and all assays of {between}",
        Exchanged.COMPONENTS: f"{one.name} and {other.name} of {one.where}",
    }.get(hypothesis.exchanged or Exchanged.VALUES, f"{one.name} of {between}")
    return (
        f"With {what} in each other's place there is a balance, and a sound one "
        f"(p = {p_value:.2g}): check the labels."
    )
