"""
Which trays of a test belong together, in the order in which they are added up.

A test is what comes of one feed: a head that was fed, or the part of it that was.  Its products are
what nothing was done to any more.  A tray that was passed again stands for what came of it, so the
order is that of the passes, in the place of the tray that each took; trays that were combined stand
where the last of them came.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from .passes import Flow, Network, Role

_FED = {Role.HEAD, Role.PART}


@dataclass(frozen=True, slots=True)
class Course:
    """Streams of a test: what was fed at its beginning, and the products in order."""

    feed: tuple[str, ...]
    products: tuple[str, ...]


def courses(network: Network, rank: Mapping[str, int] | None = None) -> tuple[Course, ...]:
    """
    Give each test of a network; feeds that met in a pass began one test.

    Of the products of one pass those of a lower ``rank`` come first (0 where none is given);
    otherwise they come as they are listed.  Losses are no products.
    """
    walking = _Walking(network, rank or {})
    groups = _together([(flow, walking.reached(flow)) for flow in walking.feeds()])
    found = [Course(tuple(f.name for f in feeds), walking.products(feeds)) for feeds in groups]
    return tuple(course for course in found if course.products)


def _together(reaching: Sequence[tuple[Flow, frozenset[str]]]) -> list[list[Flow]]:
    """Put feeds together that reach a node in common, in the order in which they come."""
    groups: list[tuple[list[Flow], frozenset[str]]] = []
    for flow, nodes in reaching:
        meeting = [group for group in groups if group[1] & nodes]
        feeds = [f for group in meeting for f in group[0]]
        joined = ([*feeds, flow], nodes.union(*(group[1] for group in meeting)))
        at = groups.index(meeting[0]) if meeting else len(groups)
        rest = [group for group in groups[at:] if group not in meeting]
        groups = [*groups[:at], joined, *rest]
    return [feeds for feeds, _ in groups]


@dataclass(frozen=True)
class _Walking:
    """A network on foot."""

    network: Network
    rank: Mapping[str, int]

    def feeds(self) -> Iterator[Flow]:
        """Give what began a test: heads that were fed whole, and parts of heads."""
        passes = {node.name for node in self.network.nodes if node.run is not None}
        heads = {flow.lot for flow in self.network.flows if flow.role is Role.HEAD}
        for flow in self.network.flows:
            if flow.role in _FED and flow.lot in heads and flow.target in passes:
                yield flow

    def leaving(self, node: str) -> list[Flow]:
        """Give what leaves a node, the products of a pass by their rank."""
        found = [flow for flow in self.network.flows if flow.source == node]
        return sorted(found, key=lambda flow: self.rank.get(flow.lot or "", 0))

    def reached(self, flow: Flow) -> frozenset[str]:
        """Give the nodes that a stream leads to."""
        found: set[str] = set()
        waiting = [flow]
        while waiting:
            target = waiting.pop().target
            if target is not None and target not in found:
                found.add(target)
                waiting += self.leaving(target)
        return frozenset(found)

    def products(self, feeds: Sequence[Flow]) -> tuple[str, ...]:
        """Give what feeds came to in the end, each node gone through when all of it has come."""
        nodes = frozenset[str]().union(*(self.reached(flow) for flow in feeds))
        due = Counter(flow.target for flow in self.network.flows if flow.target in nodes)
        found = []
        waiting = [*reversed(feeds)]
        while waiting:
            flow = waiting.pop()
            if flow.target is None:
                if flow.role is not Role.LOSS:
                    found.append(flow.name)
                continue
            due[flow.target] -= 1
            if due[flow.target] == 0:
                waiting += reversed(self.leaving(flow.target))
        return tuple(found)
