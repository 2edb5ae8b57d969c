"""
Invented flowsheets of any size for benchmarks: truth first, readings afterwards.

Two families.  *Dense* is one cross-linked plant, grown as in :mod:`tests.flowsheets`.  *Lines* are
parallel plants of about fifty streams each, with some streams from one to another.  A seed decides
everything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from reconcile import Flowsheet, Reading, Stream
from tests.flowsheets import Sampling, random_flowsheet

Array = NDArray[np.float64]
Places = NDArray[np.int64]
Bools = NDArray[np.bool_]

LINE = 50
"""Streams of one line, about."""

CROSSING = 0.03
"""Share of the streams that lead from one line to another."""

MISSING = 0.1
"""Share of masses and of assays that are not read."""

ERRORS = Sampling()
"""Where relative errors are drawn from: as in the other tests."""

LEAST_SHARE = 0.02
"""About the least share of a node's inlet that one of its outlets takes."""


class Family(StrEnum):
    """How the nodes of a flowsheet hang together."""

    DENSE = "dense"
    LINES = "lines"


@dataclass(frozen=True)
class Survey:
    """
    A flowsheet, its true flows (streams, quantities: solids first), and what is read of it.

    ``stream``, ``quantity`` and ``sd``, each (readings,): the quantity 0 is the mass, the others
    are mass fractions in the solids.
    """

    flowsheet: Flowsheet
    truth: Array
    stream: Places
    quantity: Places
    sd: Array

    @cached_property
    def incidence(self) -> sp.csr_array:
        """Inlets +1, outlets -1: shape (nodes, streams)."""
        source, target = ends_of(self.flowsheet)
        out, into = np.flatnonzero(source >= 0), np.flatnonzero(target >= 0)
        data = np.concatenate((np.ones(len(into)), -np.ones(len(out))))
        rows, columns = np.concatenate((target[into], source[out])), np.concatenate((into, out))
        shape = (len(self.flowsheet.nodes), len(self.flowsheet.streams))
        return sp.csr_array((data, (rows, columns)), shape=shape)

    def read(self, flows: Array) -> Array:
        """Give what every reading would be at flows (streams, quantities)."""
        solids = np.where(self.quantity == 0, 1.0, flows[self.stream, 0])
        return np.asarray(flows[self.stream, self.quantity] / solids)

    def draw(self, rng: np.random.Generator) -> Array:
        """Draw one set of values, (readings,); no laboratory reports more than the whole."""
        values = self.read(self.truth) + self.sd * rng.standard_normal(len(self.sd))
        return np.where(self.quantity == 0, values, np.minimum(values, 1.0))

    def readings(self, values: Array) -> tuple[Reading, ...]:
        """Give values with their names."""
        streams = [s.name for s in self.flowsheet.streams]
        names = self.flowsheet.quantities
        return tuple(
            Reading(streams[s], names[q], value, sd)
            for s, q, value, sd in zip(
                self.stream.tolist(),
                self.quantity.tolist(),
                values.tolist(),
                self.sd.tolist(),
                strict=True,
            )
        )


def ends_of(flowsheet: Flowsheet) -> tuple[Places, Places]:
    """Give the node that each stream comes from and goes to, -1 for outside."""
    node = dict(flowsheet.node_index)
    source = [-1 if s.source is None else node[s.source] for s in flowsheet.streams]
    target = [-1 if s.target is None else node[s.target] for s in flowsheet.streams]
    return np.array(source, dtype=np.int64), np.array(target, dtype=np.int64)


def _renamed(flowsheet: Flowsheet, prefix: str) -> tuple[list[str], list[Stream]]:
    def name(node: str | None) -> str | None:
        return None if node is None else f"{prefix} {node}"

    return [f"{prefix} {node}" for node in flowsheet.nodes], [
        Stream(f"{prefix} {s.name}", name(s.source), name(s.target)) for s in flowsheet.streams
    ]


def lines(rng: np.random.Generator, streams: int, components: int) -> Flowsheet:
    """
    Grow about ``streams`` streams in parallel lines.

    The streams that cross come on top of what a line has, so that every node keeps its way out.
    """
    crossings = round(CROSSING * streams)
    count = max(1, round((streams - crossings) / LINE))
    size = round((streams - crossings) / count)
    nodes: list[list[str]] = []
    grown: list[Stream] = []
    for number in range(count):
        plant = random_flowsheet(rng, size, components)
        more_nodes, more_streams = _renamed(plant, f"line {number + 1}")
        nodes.append(more_nodes)
        grown += more_streams
    for number in range(crossings if count > 1 else 0):
        here, there = rng.choice(count, size=2, replace=False)
        ends = str(rng.choice(nodes[here])), str(rng.choice(nodes[there]))
        grown.append(Stream(f"crossing {number + 1}", *ends))
    names = tuple(f"component {c + 1}" for c in range(components))
    return Flowsheet(tuple(n for line in nodes for n in line), tuple(grown), names)


GROW: dict[Family, Callable[[np.random.Generator, int, int], Flowsheet]] = {
    Family.DENSE: random_flowsheet,
    Family.LINES: lines,
}


def with_recycles(flowsheet: Flowsheet, rng: np.random.Generator, count: int) -> Flowsheet:
    """Add streams that lead from a node back to one that feeds it, or feeds what feeds it."""
    before: dict[str, list[str]] = {}
    for stream in flowsheet.streams:
        if stream.source is not None and stream.target is not None:
            before.setdefault(stream.target, []).append(stream.source)
    fed = sorted(before)
    added = []
    for number in range(count if fed else 0):
        start = here = str(rng.choice(fed))
        for _ in range(int(rng.integers(1, 5))):
            here = str(rng.choice(before[here])) if here in before else here
        if here != start:
            added.append(Stream(f"recycle {number + 1}", start, here))
    return Flowsheet(flowsheet.nodes, (*flowsheet.streams, *added), flowsheet.components)


def _shares(source: Places, nodes: int, rng: np.random.Generator) -> Array:
    """Draw each node's split from a symmetric Dirichlet distribution, no share near nothing."""
    inner = np.maximum(source, 0)
    drawn = rng.gamma(2.0, size=len(source))
    for least in (LEAST_SHARE, 0.0):
        total = np.bincount(inner, weights=np.where(source >= 0, drawn, 0.0), minlength=nodes)
        drawn = least + drawn / np.where(total > 0, total, 1.0)[inner]
    return np.where(source >= 0, drawn, 0.0)


def true_flows(flowsheet: Flowsheet, rng: np.random.Generator) -> Array:
    """
    Draw true flows (streams, 1 + components) that close at every node.

    Feed grades spread from parts per million to tens of per cent; the gangue is at least a tenth
    of every feed.
    """
    source, target = ends_of(flowsheet)
    count, nodes, components = len(source), len(flowsheet.nodes), len(flowsheet.components)
    fed, inner = source < 0, (source >= 0) & (target >= 0)
    feed = np.where(fed, rng.uniform(20.0, 200.0, count), 0.0)
    grades = 10.0 ** rng.uniform(-4.5, -0.3, components)
    grades = np.outer(np.exp(rng.normal(0.0, 0.3, count)), grades)
    grades *= np.minimum(1.0, 0.9 / np.maximum(grades.sum(axis=1, keepdims=True), 1e-300))
    into = np.flatnonzero(fed & (target >= 0))

    def flow(feeds: Array) -> Array:
        """Give ``flow = feed + share · (inflow of the source)`` in all streams."""
        share = _shares(source, nodes, rng)
        where = (target[inner], source[inner])
        passed = sp.csc_array((share[inner], where), shape=(nodes, nodes))
        entering = np.bincount(target[into], weights=feeds[into], minlength=nodes)
        eye = sp.eye_array(nodes, format="csc")
        through = splu(sp.csc_array(eye - passed)).solve(entering)
        return np.where(fed, feeds, share * through[np.maximum(source, 0)])

    parts = [flow(feed * grades[:, c]) for c in range(components)]
    gangue = flow(feed * (1.0 - grades.sum(axis=1)))
    return np.column_stack([gangue + np.sum(parts, axis=0), *parts])


def survey(
    family: Family,
    streams: int,
    components: int,
    seed: int,
    *,
    missing: float = MISSING,
    recycles: float = 0.0,
) -> Survey:
    """
    Give one flowsheet with its truth and what is read of it.

    ``missing`` is the share of masses and assays not read; ``recycles`` how many more streams lead
    back, as a share of the streams.
    """
    rng = np.random.default_rng((seed, streams, components))
    flowsheet = GROW[family](rng, streams, components)
    flowsheet = with_recycles(flowsheet, rng, round(recycles * streams))
    truth = true_flows(flowsheet, rng)
    stream, quantity = (grid.ravel() for grid in np.indices(truth.shape))
    error = np.where(
        quantity == 0,
        rng.uniform(*ERRORS.mass_error, len(stream)),
        rng.uniform(*ERRORS.assay_error, len(stream)),
    )
    read = rng.random(len(stream)) >= missing
    fraction = truth / np.where(np.arange(truth.shape[1]) == 0, 1.0, truth[:, :1])
    sd = error * fraction.ravel()
    return Survey(flowsheet, truth, stream[read], quantity[read], sd[read])
