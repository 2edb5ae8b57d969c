"""
What the readings around a node say by themselves: the imbalance test, for joined nodes too.

The amount of a quantity in a stream is known by itself if it was read, or if its assay and the
stream's mass were.  Streams of which it is not known join the nodes at their ends; what remains is
tested node by node and for neighbours together (Reilly and Carpani 1963; Mah, Stanley and Downing
1976), so that what flows between them does not count.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from reconcile.findings import Family, NodeTest
from reconcile.flowsheet import SOLIDS, Part
from reconcile.measurands import measurand

from .multiplicity import adjusted, critical, size_of, two_sided

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from reconcile.flowsheet import Flowsheet, Quantity
    from reconcile.model import Model
    from reconcile.options import Scrutiny
    from reconcile.readings import Reading

MOST_GROUPS = 2000
"""Pairs of neighbours tested at most for one quantity."""


@dataclass(frozen=True)
class _Amount:
    """A raw amount and its derivatives by the readings that it comes from."""

    value: float
    slopes: Mapping[int, float]


def _raw_amounts(
    sheet: Flowsheet, readings: Sequence[Reading]
) -> dict[tuple[str, Quantity], _Amount]:
    """Give the amounts that are known from readings of their own stream alone."""
    amounts: dict[tuple[str, Quantity], _Amount] = {}
    shares: dict[tuple[str, Quantity], int] = {}
    for i, reading in enumerate(readings):
        if len(reading.streams) != 1 or reading.limit is not None or not np.isfinite(reading.sd):
            continue
        of = measurand(sheet, reading.of)
        if of.carried or len(of.above) != 1 or of.above[0][1] != 1.0:
            continue
        place = (reading.streams[0], of.above[0][0])
        if of.is_amount:
            amounts[place] = _Amount(reading.value, {i: 1.0})
        elif of.below == ((SOLIDS, 1.0),):
            shares[place] = i
    for (stream, quantity), i in shares.items():
        solids = amounts.get((stream, SOLIDS))
        if solids is None or (stream, quantity) in amounts:
            continue
        share = readings[i].value
        slopes = {k: share * slope for k, slope in solids.slopes.items()}
        amounts[stream, quantity] = _Amount(share * solids.value, {**slopes, i: solids.value})
    return amounts


def _variance(slopes: Mapping[int, float], readings: Sequence[Reading]) -> float:
    """Give the variance of a sum of readings, errors that they share included."""
    total = 0.0
    shared: dict[str, float] = defaultdict(float)
    for i, slope in slopes.items():
        total += (slope * readings[i].sd) ** 2
        for name, size in readings[i].causes:
            shared[name] += slope * size
    return total + sum(size**2 for size in shared.values())


@dataclass(frozen=True)
class _Quantity:
    """One quantity: the nodes joined where it is not known, and the streams between them."""

    model: Model
    of: int
    amounts: Mapping[tuple[str, Quantity], _Amount]
    readings: Sequence[Reading]

    def tests(self) -> Iterator[tuple[bool, tuple[str, ...], float, float]]:
        """Give of each set of nodes whether it is a group, its names, imbalance and sd."""
        sheet = self.model.flowsheet
        name = sheet.quantities[self.of]
        source, target = self.model.ends
        known = np.array([(s.name, name) in self.amounts for s in sheet.streams], dtype=bool)
        held = ~self.model.absent[self.model.columns(self.of)]
        open_streams = held & ~known
        inner = open_streams & (source >= 0) & (target >= 0)
        nodes = len(sheet.nodes)
        ends = (source[inner], target[inner])
        links = coo_array((np.ones(len(ends[0])), ends), shape=(nodes, nodes))
        _, joined = connected_components(links, directed=False)
        spoilt = set(joined[~self.model.conserved[:, self.of]].tolist())
        for stream in np.flatnonzero(open_streams & ~inner):
            node = target[stream] if source[stream] < 0 else source[stream]
            spoilt.add(int(joined[node]))
        members: dict[int, list[int]] = defaultdict(list)
        for node, one in enumerate(joined.tolist()):
            members[one].append(node)
        around: dict[int, list[int]] = defaultdict(list)
        pairs: dict[tuple[int, int], None] = {}
        for stream in np.flatnonzero(held & known).tolist():
            a, b = (int(joined[n]) if n >= 0 else -1 for n in (source[stream], target[stream]))
            if a == b:
                continue
            for end in (a, b):
                if end >= 0:
                    around[end].append(stream)
            if a >= 0 and b >= 0 and not {a, b} & spoilt and len(pairs) < MOST_GROUPS:
                pairs[min(a, b), max(a, b)] = None
        sets = [(one,) for one in members if one not in spoilt] + list(pairs)
        for chosen in sets:
            inside = {node for one in chosen for node in members[one]}
            streams = dict.fromkeys(s for one in chosen for s in around[one])
            found = self._imbalance(inside, list(streams))
            if found is not None:
                named = tuple(sheet.nodes[node] for node in sorted(inside))
                yield len(inside) > 1, named, *found

    def _imbalance(self, inside: set[int], streams: list[int]) -> tuple[float, float] | None:
        sheet = self.model.flowsheet
        source, target = self.model.ends
        name = sheet.quantities[self.of]
        value = 0.0
        slopes: dict[int, float] = defaultdict(float)
        for stream in streams:
            sign = float(int(target[stream]) in inside) - float(int(source[stream]) in inside)
            if sign == 0:
                continue
            amount = self.amounts[sheet.streams[stream].name, name]
            value += sign * amount.value
            for i, slope in amount.slopes.items():
                slopes[i] += sign * slope
        variance = _variance(slopes, self.readings)
        return (value, sqrt(variance)) if variance > 0 else None


def node_tests(
    model: Model, readings: Sequence[Reading], scrutiny: Scrutiny
) -> tuple[Family, Family]:
    """
    Give the imbalance tests of nodes, and of nodes taken together.

    ``readings`` are all of the balance; what counts for nothing and what is a limit is left out.
    """
    sheet = model.flowsheet
    amounts = _raw_amounts(sheet, readings)
    found: dict[bool, list[tuple[tuple[str, ...], Quantity, float, float]]] = {True: [], False: []}
    once: set[tuple[tuple[str, ...], Quantity]] = set()
    of_streams = {quantity for _, quantity in amounts}
    for k, of in enumerate(sheet.quantities):
        if of not in of_streams or isinstance(of, Part):
            continue
        for grouped, nodes, imbalance, sd in _Quantity(model, k, amounts, readings).tests():
            if (nodes, of) not in once:
                once.add((nodes, of))
                found[grouped].append((nodes, of, imbalance, sd))
    return _family(found[False], scrutiny), _family(found[True], scrutiny)


def _family(
    found: list[tuple[tuple[str, ...], Quantity, float, float]], scrutiny: Scrutiny
) -> Family:
    statistic = np.array([imbalance / sd for _, _, imbalance, sd in found], dtype=np.float64)
    p_values = two_sided(statistic)
    raised = adjusted(p_values, scrutiny.control)
    tests = tuple(
        NodeTest(nodes, of, imbalance, sd, float(z), float(p), float(q))
        for (nodes, of, imbalance, sd), z, p, q in zip(
            found, statistic, p_values, raised, strict=True
        )
    )
    limit = critical(p_values, scrutiny.control, scrutiny.level)
    return Family(len(tests), limit, size_of(scrutiny.level), tests)
