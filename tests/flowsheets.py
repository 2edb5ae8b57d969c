"""
Invented circuits for tests: truth first, readings afterwards.

A circuit is grown at random from a seed.  Every node then sends given shares of each species
(each component and the gangue) to its outlets; the flows that follow close at every node to
rounding.  Readings are the truth plus ``sd`` times a standard normal draw, with the ``sd``
taken from the truth, so that their stated errors are right by construction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reconcile import Flowsheet, Reading, Stream

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Circuit:
    """A flowsheet, its true flows (streams, quantities: solids first) and readings of them."""

    flowsheet: Flowsheet
    truth: Array
    readings: tuple[Reading, ...]

    @property
    def fractions(self) -> Array:
        """True mass fractions, one row a stream, one column a component."""
        return self.truth[:, 1:] / self.truth[:, :1]


class _Sketch:
    """A flowsheet while it grows: each stream is a pair of node numbers, ``None`` outside."""

    def __init__(self) -> None:
        self.nodes = 1
        self.ends: list[tuple[int | None, int | None]] = [(None, 0), (0, None), (0, None)]

    def products(self) -> list[int]:
        return [i for i, (_, target) in enumerate(self.ends) if target is None]

    def internal(self) -> list[int]:
        return [i for i, ends in enumerate(self.ends) if None not in ends]

    def drains(self) -> bool:
        """Say whether every node reaches a product, so that no recycle is a trap."""
        reaching = {source for source, target in self.ends if target is None}
        while True:
            more = {s for s, t in self.ends if t in reaching and s is not None} - reaching
            if not more:
                return len(reaching - {None}) == self.nodes
            reaching |= more


def _separate(sketch: _Sketch, rng: np.random.Generator) -> None:
    product = rng.choice(sketch.products())
    source, _ = sketch.ends[product]
    sketch.ends[product] = (source, sketch.nodes)
    sketch.ends += [(sketch.nodes, None)] * (2 if rng.random() < 0.8 else 3)
    sketch.nodes += 1


def _feed(sketch: _Sketch, rng: np.random.Generator) -> None:
    sketch.ends.append((None, int(rng.integers(sketch.nodes))))


def _draw_off(sketch: _Sketch, rng: np.random.Generator) -> None:
    sketch.ends.append((int(rng.integers(sketch.nodes)), None))


def _mix(sketch: _Sketch, rng: np.random.Generator) -> None:
    products = sketch.products()
    if len(products) < 2:
        return
    for product in rng.choice(products, size=2, replace=False):
        sketch.ends[product] = (sketch.ends[product][0], sketch.nodes)
    sketch.ends.append((sketch.nodes, None))
    sketch.nodes += 1


def _double(sketch: _Sketch, rng: np.random.Generator) -> None:
    internal = sketch.internal()
    if internal:
        sketch.ends.append(sketch.ends[rng.choice(internal)])


def _recycle(sketch: _Sketch, rng: np.random.Generator) -> None:
    product = rng.choice(sketch.products())
    before = sketch.ends[product]
    source = before[0]
    targets = [n for n in range(sketch.nodes) if n != source]
    if targets:
        sketch.ends[product] = (source, int(rng.choice(targets)))
        if not sketch.drains():
            sketch.ends[product] = before


def _stand_alone(sketch: _Sketch, rng: np.random.Generator) -> None:
    del rng
    node, sketch.nodes = sketch.nodes, sketch.nodes + 1
    sketch.ends += [(None, node), (node, None), (node, None)]


_MOVES = (_separate, _feed, _draw_off, _mix, _double, _recycle, _stand_alone)
_ODDS = (0.42, 0.08, 0.06, 0.12, 0.08, 0.20, 0.04)


def random_flowsheet(rng: np.random.Generator, streams: int, components: int) -> Flowsheet:
    """Grow a flowsheet of about ``streams`` streams (at least three, at most two more)."""
    sketch = _Sketch()
    while len(sketch.ends) < streams:
        _MOVES[rng.choice(len(_MOVES), p=_ODDS)](sketch, rng)
    return Flowsheet(
        nodes=tuple(f"node {i + 1}" for i in range(sketch.nodes)),
        streams=tuple(
            Stream(
                f"stream {i + 1}",
                None if source is None else f"node {source + 1}",
                None if target is None else f"node {target + 1}",
            )
            for i, (source, target) in enumerate(sketch.ends)
        ),
        components=tuple(f"component {i + 1}" for i in range(components)),
    )


def flows_by_splits(flowsheet: Flowsheet, shares: Array, feeds: Array) -> Array:
    """
    Give the flow of one species in every stream.

    ``shares`` is each stream's share of what enters its source, ``feeds`` the flow of each
    stream that comes from outside; entries that do not apply are ignored.  Solves
    ``flow = feed + share · (inflow of the source)`` for all streams at once.
    """
    count = len(flowsheet.streams)
    system, rhs = np.eye(count), np.zeros(count)
    for i, stream in enumerate(flowsheet.streams):
        if stream.source is None:
            rhs[i] = feeds[i]
            continue
        for j, inlet in enumerate(flowsheet.streams):
            if inlet.target == stream.source:
                system[i, j] -= shares[i]
    return np.linalg.solve(system, rhs)


def random_shares(flowsheet: Flowsheet, rng: np.random.Generator, evenness: float) -> Array:
    """Draw each node's shares from a symmetric Dirichlet distribution."""
    shares = np.ones(len(flowsheet.streams))
    for node in flowsheet.nodes:
        outlets = [i for i, s in enumerate(flowsheet.streams) if s.source == node]
        shares[outlets] = 0.02 + rng.dirichlet(np.full(len(outlets), evenness))
        shares[outlets] /= shares[outlets].sum()
    return shares


def random_truth(flowsheet: Flowsheet, rng: np.random.Generator, *, evenness: float = 2.0) -> Array:
    """
    Draw true flows (streams, 1 + components) that close at every node.

    Feed grades spread from parts per million to tens of per cent; the gangue is at least a
    tenth of every feed.
    """
    count, components = len(flowsheet.streams), len(flowsheet.components)
    feed_mass = rng.uniform(20.0, 200.0, count)
    grades = 10.0 ** rng.uniform(-4.5, -0.3, components)
    grades = np.outer(np.exp(rng.normal(0.0, 0.3, count)), grades)
    grades *= np.minimum(1.0, 0.9 / np.maximum(grades.sum(axis=1, keepdims=True), 1e-300))
    species = [feed_mass * grades[:, c] for c in range(components)]
    species.append(feed_mass * (1.0 - grades.sum(axis=1)))
    flows = [
        flows_by_splits(flowsheet, random_shares(flowsheet, rng, evenness), feed)
        for feed in species
    ]
    return np.column_stack([np.sum(flows, axis=0), *flows[:-1]])


@dataclass(frozen=True)
class Sampling:
    """How a circuit is read: what is missing, and how good the readings are."""

    missing: float = 0.3
    mass_error: tuple[float, float] = (0.005, 0.03)
    assay_error: tuple[float, float] = (0.01, 0.05)
    masses: bool = True


def read(
    flowsheet: Flowsheet, truth: Array, rng: np.random.Generator, sampling: Sampling = Sampling()
) -> tuple[Reading, ...]:
    """
    Draw readings of a true state.

    Negative draws are kept.  A draw above 100 % is left out, since no laboratory reports it.
    At least one reading is always given.
    """
    values = np.column_stack([truth[:, 0], truth[:, 1:] / truth[:, :1]])
    readings = []
    for i, stream in enumerate(flowsheet.streams):
        for q, of in enumerate(flowsheet.quantities):
            error = rng.uniform(*(sampling.assay_error if q else sampling.mass_error))
            value, sd = values[i, q] * (1 + error * rng.normal()), values[i, q] * error
            wanted = rng.random() >= sampling.missing and (q > 0 or sampling.masses)
            if wanted and (q == 0 or value <= 1.0):
                readings.append(Reading(stream.name, of, float(value), float(sd)))
    if not readings:
        of = flowsheet.quantities[-1]
        value = float(values[0, -1])
        readings.append(Reading(flowsheet.streams[0].name, of, value, 0.02 * value))
    return tuple(readings)


def random_circuit(
    seed: int,
    *,
    streams: int,
    components: int,
    sampling: Sampling = Sampling(),
    evenness: float = 2.0,
) -> Circuit:
    """Grow a circuit, draw its truth and read it; the seed decides everything."""
    rng = np.random.default_rng(seed)
    flowsheet = random_flowsheet(rng, streams, components)
    truth = random_truth(flowsheet, rng, evenness=evenness)
    return Circuit(flowsheet, truth, read(flowsheet, truth, rng, sampling))


def exact(circuit: Circuit) -> Circuit:
    """Give the same circuit with every reading moved onto the truth."""
    index, quantity = circuit.flowsheet.stream_index, circuit.flowsheet.quantity_index
    values = np.column_stack([circuit.truth[:, 0], circuit.fractions])
    return replace(
        circuit,
        readings=tuple(
            replace(r, value=float(values[index[r.stream], quantity[r.of]]))
            for r in circuit.readings
        ),
    )


def separator(components: tuple[str, ...] = ()) -> Flowsheet:
    """Give one separator: feed, concentrate, tailing."""
    return Flowsheet(
        ("separator",),
        (
            Stream("feed", None, "separator"),
            Stream("concentrate", "separator", None),
            Stream("tailing", "separator", None),
        ),
        components,
    )


def bypass_network(*, world: bool = False) -> Flowsheet:
    """
    Give the six-stream network of Narasimhan & Jordache (2000), chapter 1.

    With ``world`` the outside is a node of its own, which repeats the sum of the others.
    """
    outside = "world" if world else None
    return Flowsheet(
        ("splitter", "exchanger", "valve", "mixer", *(("world",) if world else ())),
        (
            Stream("1", outside, "splitter"),
            Stream("2", "splitter", "exchanger"),
            Stream("3", "splitter", "valve"),
            Stream("4", "exchanger", "mixer"),
            Stream("5", "valve", "mixer"),
            Stream("6", "mixer", outside),
        ),
    )


def rougher_cleaner(components: tuple[str, ...] = ()) -> Flowsheet:
    """Give a rougher and a cleaner whose tailing returns to the rougher."""
    return Flowsheet(
        ("junction", "rougher", "cleaner"),
        (
            Stream("fresh feed", None, "junction"),
            Stream("rougher feed", "junction", "rougher"),
            Stream("rougher concentrate", "rougher", "cleaner"),
            Stream("tailing", "rougher", None),
            Stream("concentrate", "cleaner", None),
            Stream("cleaner tailing", "cleaner", "junction"),
        ),
        components,
    )


def rougher_cleaner_truth(feed: Array, rougher: Array, cleaner: Array) -> Array:
    """
    Give the flows of :func:`rougher_cleaner` in closed form, one column a species.

    With recoveries ``r`` and ``c`` to the concentrates the rougher feed is
    ``feed / (1 - r (1 - c))``: the loop's geometric series.
    """
    head = feed / (1 - rougher * (1 - cleaner))
    tip = rougher * head
    return np.array([feed, head, tip, (1 - rougher) * head, cleaner * tip, (1 - cleaner) * tip])
