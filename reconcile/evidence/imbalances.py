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

from reconcile.findings import Family, Tried
from reconcile.flowsheet import SOLIDS, Part
from reconcile.kernel.lazy import lazy
from reconcile.kernel.network import joined
from reconcile.measurands import measurand

from .multiplicity import adjusted, critical, size_of, two_sided

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from reconcile.flowsheet import Flowsheet, Quantity
    from reconcile.kernel.problem import Bools, Ints
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

    @property
    def name(self) -> Quantity:
        """The quantity."""
        return self.model.flowsheet.quantities[self.of]

    @lazy
    def known(self) -> Bools:
        """Streams of which it is known, (streams,)."""
        here = [(s.name, self.name) in self.amounts for s in self.model.flowsheet.streams]
        return np.array(here, dtype=bool)

    @lazy
    def held(self) -> Bools:
        """Streams that can hold it, (streams,)."""
        return ~self.model.absent[self.model.columns(self.of)]

    @lazy
    def joined(self) -> tuple[Ints, frozenset[int]]:
        """The set of joined nodes to which each node belongs, and the sets that have no balance."""
        source, target = self.model.ends
        unknown = self.held & ~self.known
        inner = unknown & (source >= 0) & (target >= 0)
        together: Ints = joined(source[inner], target[inner], len(self.model.flowsheet.nodes))
        crossing = np.maximum(source, target)[unknown & ~inner]
        altering = np.flatnonzero(~self.model.conserved[:, self.of])
        spoilt = together[np.concatenate((crossing, altering))]
        return together, frozenset(spoilt.tolist())

    def _between(self) -> Iterator[tuple[int, int, int]]:
        """Give each known stream with the sets of nodes at its ends, -1 for outside."""
        source, target = self.model.ends
        together, _ = self.joined
        for stream in np.flatnonzero(self.held & self.known).tolist():
            start = int(together[source[stream]]) if source[stream] >= 0 else -1
            end = int(together[target[stream]]) if target[stream] >= 0 else -1
            if start != end:
                yield stream, start, end

    def tests(self) -> Iterator[tuple[tuple[str, ...], float, float]]:
        """Give of each set of nodes, and each pair of neighbours, names, imbalance and sd."""
        together, spoilt = self.joined
        members: dict[int, list[int]] = defaultdict(list)
        for node, one in enumerate(together.tolist()):
            members[one].append(node)
        around: dict[int, list[tuple[int, float]]] = defaultdict(list)
        pairs: dict[tuple[int, int], None] = {}
        for stream, start, end in self._between():
            around[start].append((stream, -1.0))
            around[end].append((stream, 1.0))
            if min(start, end) >= 0 and not {start, end} & spoilt and len(pairs) < MOST_GROUPS:
                pairs[min(start, end), max(start, end)] = None
        nodes = self.model.flowsheet.nodes
        for chosen in [*((one,) for one in members if one not in spoilt), *pairs]:
            signs: dict[int, float] = defaultdict(float)
            for stream, sign in (pair for one in chosen for pair in around[one]):
                signs[stream] += sign
            imbalance, variance = self._imbalance(signs)
            if variance > 0:
                inside = sorted(node for one in chosen for node in members[one])
                yield tuple(nodes[node] for node in inside), imbalance, sqrt(variance)

    def _imbalance(self, signs: Mapping[int, float]) -> tuple[float, float]:
        """Give a signed sum of raw amounts and its variance."""
        streams = self.model.flowsheet.streams
        value = 0.0
        slopes: dict[int, float] = defaultdict(float)
        for stream, sign in signs.items():
            amount = self.amounts[streams[stream].name, self.name]
            value += sign * amount.value
            for i, slope in amount.slopes.items():
                slopes[i] += sign * slope
        return value, _variance(slopes, self.readings)


def node_tests(
    model: Model, readings: Sequence[Reading], scrutiny: Scrutiny
) -> tuple[Family, Family]:
    """
    Give the imbalance tests of nodes, and of nodes taken together.

    ``readings`` are all of the balance; what counts for nothing and what is a limit is left out.
    """
    sheet = model.flowsheet
    amounts = _raw_amounts(sheet, readings)
    found: dict[tuple[tuple[str, ...], Quantity], tuple[float, float]] = {}
    read = {quantity for _, quantity in amounts}
    for k, of in enumerate(sheet.quantities):
        if of in read and not isinstance(of, Part):
            for nodes, imbalance, sd in _Quantity(model, k, amounts, readings).tests():
                found.setdefault((nodes, of), (imbalance, sd))
    single = {key: value for key, value in found.items() if len(key[0]) == 1}
    groups = {key: value for key, value in found.items() if len(key[0]) > 1}
    return _family(single, scrutiny), _family(groups, scrutiny)


def _family(
    found: Mapping[tuple[tuple[str, ...], Quantity], tuple[float, float]], scrutiny: Scrutiny
) -> Family:
    sizes = np.array(list(found.values()), dtype=np.float64).reshape(-1, 2).T
    statistic = sizes[0] / sizes[1]
    p_values = two_sided(statistic)
    raised = adjusted(p_values, scrutiny.control)
    tests = Tried(list(found), np.stack((*sizes, statistic, p_values, raised)))
    limit = critical(p_values, scrutiny.control, scrutiny.level)
    return Family(len(tests.of), limit, size_of(scrutiny.level), tests)
