"""
The flowsheet: a directed graph of nodes joined by streams, and what is conserved in it.

A stream without a source is a feed, one without a target is a product.  Every node conserves
the dry solids and every component.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from .faults import Fault, InvalidInput

SOLIDS = "mass"
"""The word by which readings and results name the dry solids of a stream."""


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream; ``source`` and ``target`` are node names, ``None`` the world outside."""

    name: str
    source: str | None = None
    target: str | None = None


@dataclass(frozen=True)
class Flowsheet:
    """
    Nodes, streams and the components assayed.

    Nothing is checked here; :func:`faults_of` says what is wrong, :func:`checked` raises it.
    """

    nodes: tuple[str, ...]
    streams: tuple[Stream, ...]
    components: tuple[str, ...] = ()

    @cached_property
    def node_index(self) -> dict[str, int]:
        """Position of each node by name."""
        return {name: i for i, name in enumerate(self.nodes)}

    @cached_property
    def stream_index(self) -> dict[str, int]:
        """Position of each stream by name."""
        return {stream.name: i for i, stream in enumerate(self.streams)}

    @cached_property
    def quantities(self) -> tuple[str, ...]:
        """What is conserved: the dry solids first, then each component."""
        return (SOLIDS, *self.components)

    @cached_property
    def quantity_index(self) -> dict[str, int]:
        """Position of each conserved quantity by name."""
        return {name: i for i, name in enumerate(self.quantities)}

    @property
    def feeds(self) -> tuple[Stream, ...]:
        """Streams that come from outside."""
        return tuple(s for s in self.streams if s.source is None)

    @property
    def products(self) -> tuple[Stream, ...]:
        """Streams that leave."""
        return tuple(s for s in self.streams if s.target is None)


def _doubled(kind: str, names: Iterable[str]) -> list[Fault]:
    names = list(names)
    counts = Counter(names)
    faults, seen = [], set()
    for i, name in enumerate(names):
        if counts[name] > 1 and name in seen:
            faults.append(
                Fault(
                    (f"{kind}s", i),
                    f"duplicate-{kind}",
                    f"The {kind} name '{name}' is used {counts[name]} times.",
                    f"Give every {kind} a name of its own.",
                )
            )
        seen.add(name)
    return faults


def _stream_faults(flowsheet: Flowsheet) -> list[Fault]:
    known = set(flowsheet.nodes)
    faults = []
    for i, stream in enumerate(flowsheet.streams):
        if stream.source is None and stream.target is None:
            faults.append(
                Fault(
                    ("streams", i),
                    "stream-without-ends",
                    f"Stream '{stream.name}' neither comes from a node nor goes to one.",
                    "Give it 'from', 'to', or both.",
                )
            )
        for end, node in (("from", stream.source), ("to", stream.target)):
            if node is not None and node not in known:
                faults.append(
                    Fault(
                        ("streams", i, end),
                        "unknown-node",
                        f"Stream '{stream.name}' names the node '{node}', which is not listed.",
                        "Add it to 'nodes' or correct the name. "
                        f"Known nodes: {', '.join(flowsheet.nodes[:12]) or 'none'}.",
                    )
                )
        if stream.source is not None and stream.source == stream.target:
            faults.append(
                Fault(
                    ("streams", i),
                    "self-loop",
                    f"Stream '{stream.name}' leaves node '{stream.source}' and returns to it.",
                    "A stream that returns to its own node cancels in the balance: leave it out, "
                    "or put the node between into the flowsheet.",
                )
            )
    return faults


def _node_faults(flowsheet: Flowsheet) -> list[Fault]:
    fed = {s.target for s in flowsheet.streams}
    drawn = {s.source for s in flowsheet.streams}
    faults = []
    for i, node in enumerate(flowsheet.nodes):
        missing = [w for w, ends in (("inlet", fed), ("outlet", drawn)) if node not in ends]
        if missing:
            faults.append(
                Fault(
                    ("nodes", i),
                    "node-without-" + "-or-".join(missing),
                    f"Node '{node}' has no {' and no '.join(missing)}.",
                    "Every node needs at least one stream in and one out; "
                    "add the stream or remove the node.",
                )
            )
    return faults


def _reached(flowsheet: Flowsheet, *, downstream: bool) -> set[str]:
    """Give the nodes that something fed can reach, or that can reach a product."""
    along: dict[str | None, list[str | None]] = {}
    for stream in flowsheet.streams:
        ends = (stream.source, stream.target) if downstream else (stream.target, stream.source)
        along.setdefault(ends[0], []).append(ends[1])
    found: set[str] = set()
    waiting = list(along.get(None, []))
    while waiting:
        node = waiting.pop()
        if node is not None and node not in found:
            found.add(node)
            waiting += along.get(node, [])
    return found


def _trap_faults(flowsheet: Flowsheet) -> list[Fault]:
    """Nodes through which nothing can run, in a flowsheet with feed or product."""
    if not flowsheet.feeds and not flowsheet.products:
        return []
    fed = _reached(flowsheet, downstream=True)
    drained = _reached(flowsheet, downstream=False)
    faults = []
    for i, node in enumerate(flowsheet.nodes):
        if (node in fed) == (node in drained):
            continue
        lacking = "has no way to any product" if node in fed else "is not fed from anywhere"
        faults.append(
            Fault(
                ("nodes", i),
                "node-without-through-flow",
                f"Node '{node}' {lacking}, so nothing can run through it.",
                "Add the missing stream, or correct the ends of the streams around it.",
            )
        )
    return faults


def faults_of(flowsheet: Flowsheet) -> list[Fault]:
    """Give everything that is wrong with the flowsheet, in the order of its members."""
    faults = _doubled("node", flowsheet.nodes)
    faults += _doubled("stream", (s.name for s in flowsheet.streams))
    faults += _doubled("component", flowsheet.components)
    for i, name in enumerate(flowsheet.components):
        if name == SOLIDS:
            faults.append(
                Fault(
                    ("components", i),
                    "reserved-name",
                    f"'{SOLIDS}' names the dry solids and cannot be a component.",
                    "Choose another name for the component.",
                )
            )
    if not flowsheet.nodes:
        faults.append(
            Fault(("nodes",), "no-nodes", "The flowsheet has no nodes.", "List at least one node.")
        )
    if not flowsheet.streams:
        faults.append(
            Fault(
                ("streams",),
                "no-streams",
                "The flowsheet has no streams.",
                "List the streams that enter and leave each node.",
            )
        )
    faults += _stream_faults(flowsheet) + _node_faults(flowsheet)
    return faults or _trap_faults(flowsheet)


def checked(flowsheet: Flowsheet) -> Flowsheet:
    """
    Give the flowsheet back if it can be used.

    Raises
    ------
    InvalidInput
        with every fault found.
    """
    faults = faults_of(flowsheet)
    if faults:
        raise InvalidInput(faults)
    return flowsheet
