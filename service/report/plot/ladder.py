"""
Where the parts of a flow drawing stand: nodes down a ladder, one line of words a stream.

Any flowsheet can be laid out so: nodes are put in an order in which most streams go down, what
goes up again is a recycle.  A stream between nodes leaves at its own line, runs down (or up) a lane
beside the ladder and enters its target; lanes are given so that no two streams share a piece of
one.
"""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx

from service.report.drawings import Flow, Flows

HEAD, ENTRY, GAP = 17.0, 9.0, 9.0
"""Heights in points: the name of a node, an entering stream, the space between nodes."""

NAME, WORDS, SPACE = 12.0, 11.0, 5.0
"""Heights in points: the name of a stream, a line of its words, the space after it."""


@dataclass(frozen=True, slots=True)
class Rung:
    """A node: its name, where it begins, has its name and ends, downwards in points."""

    name: str
    top: float
    heading: float
    foot: float


@dataclass(frozen=True, slots=True)
class Line:
    """A stream that leaves, or comes from outside: the height of its line of words."""

    flow: Flow
    y: float
    enters: bool


@dataclass(frozen=True, slots=True)
class Lane:
    """A stream between nodes: from which height to which, and in which lane, 0 the nearest."""

    flow: Flow
    start: float
    end: float
    lane: int

    @property
    def is_recycle(self) -> bool:
        """Whether it goes up."""
        return self.end < self.start


@dataclass(frozen=True, slots=True)
class Ladder:
    """The whole layout."""

    rungs: tuple[Rung, ...]
    lines: tuple[Line, ...]
    lanes: tuple[Lane, ...]
    height: float


def order(flows: Flows) -> list[str]:
    """
    Give the nodes in an order in which most streams go down.

    Nodes that lie on a common recycle are kept together, in the order of the request; the sets of
    them follow the flow (condensation of the graph, then a topological order).
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(flows.nodes)
    graph.add_edges_from(
        (s.source, s.target) for s in flows.streams if s.source is not None and s.target is not None
    )
    place = {name: k for k, name in enumerate(flows.nodes)}
    whole = nx.condensation(graph)
    members = {c: sorted(whole.nodes[c]["members"], key=place.__getitem__) for c in whole}
    sets = nx.lexicographical_topological_sort(whole, key=lambda c: place[members[c][0]])
    return [name for c in sets for name in members[c]]


def laid_out(flows: Flows) -> Ladder:
    """Give the layout of a flowsheet."""
    rungs: list[Rung] = []
    lines: list[Line] = []
    starts: dict[int, float] = {}
    ends: dict[int, float] = {}
    y = 0.0
    for node in order(flows):
        top = y
        for k, flow in enumerate(flows.streams):
            if flow.target == node and flow.source is None:
                lines.append(Line(flow, y + NAME / 2, enters=True))
                y += _height(flow)
            elif flow.target == node:
                ends[k] = y + ENTRY / 2
                y += ENTRY
        heading = y + HEAD / 2
        y += HEAD
        for k, flow in enumerate(flows.streams):
            if flow.source == node:
                lines.append(Line(flow, y + NAME / 2, enters=False))
                starts[k] = y + NAME / 2
                y += _height(flow)
        rungs.append(Rung(node, top, heading, y))
        y += GAP
    return Ladder(tuple(rungs), tuple(lines), _lanes(flows, starts, ends), max(y - GAP, 0.0))


def _height(flow: Flow) -> float:
    return NAME + WORDS * len(flow.words) + SPACE


def _lanes(flows: Flows, starts: dict[int, float], ends: dict[int, float]) -> tuple[Lane, ...]:
    """Give each stream between nodes the nearest lane that is free all along it."""
    taken: list[list[tuple[float, float]]] = []
    found: dict[int, Lane] = {}
    for k in sorted(ends, key=lambda i: (abs(ends[i] - starts[i]), i)):
        low, high = sorted((starts[k], ends[k]))
        lane = next(
            (i for i, pieces in enumerate(taken) if all(high < a or b < low for a, b in pieces)),
            len(taken),
        )
        if lane == len(taken):
            taken.append([])
        taken[lane].append((low, high))
        found[k] = Lane(flows.streams[k], starts[k], ends[k], lane)
    return tuple(found[k] for k in sorted(found))
