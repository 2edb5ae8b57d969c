"""
The flowsheet: a directed graph of nodes joined by streams, and what is conserved in it.

A stream without a source is a feed, one without a target a product.  Every node conserves the dry
solids, and everything else that it is not said to alter: a mill alters sizes, a dryer alters water.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from .faults import Fault, InvalidInput
from .kernel.lazy import lazy

SOLIDS = "mass"
"""The word by which readings and results name the dry solids of a stream."""

WATER = "water"
"""The word for the water in a stream."""

SIZES = "sizes"
"""The word by which a node says that it alters the size classes."""


class Part(NamedTuple):
    """The solids (``of`` = :data:`SOLIDS`) or a component in one size class."""

    of: str
    size: str

    def __str__(self) -> str:
        """Give the name for messages."""
        return f"{self.of} in {self.size}"


Quantity = str | Part
"""One extensive quantity of a stream: solids, water, a component, or a part in a size class."""


@dataclass(frozen=True, slots=True)
class Stream:
    """
    One stream; ``source`` and ``target`` are node names, ``None`` the world outside.

    ``without`` names what it cannot hold: a water pipe is without :data:`SOLIDS` (and so without
    components), a dried product without :data:`WATER`.  ``signed`` lets its amounts be negative: an
    unaccounted difference, not a flow.
    """

    name: str
    source: str | None = None
    target: str | None = None
    without: frozenset[str] = frozenset()
    signed: bool = False


class Content(NamedTuple):
    """Mass fraction of an analyte in a mineral; ``sd`` zero for an exact composition."""

    value: float
    sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Whole:
    """Components that together are all of the solids; in the ``streams`` named, or in all."""

    components: tuple[str, ...]
    streams: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Order:
    """``component`` is at least as rich in the stream ``richer`` as in the stream ``than``."""

    component: str
    richer: str
    than: str


@dataclass(frozen=True)
class Flowsheet:
    """
    Nodes, streams and what is followed through them.

    ``components`` are conserved one by one; ``water`` says whether water is followed; ``classes``
    are size classes, coarse to fine, and ``sized`` the components followed class by class;
    ``alters`` says of a node what it does not conserve: :data:`WATER`, :data:`SIZES` or
    components; ``wholes`` are exact closures; ``contents`` give, for a component that is a mineral,
    the analytes in it; ``orders`` are relations of grade that the caller vouches for.

    Nothing is checked here; :func:`faults_of` says what is wrong, :func:`checked` raises it.
    """

    nodes: tuple[str, ...]
    streams: tuple[Stream, ...]
    components: tuple[str, ...] = ()
    water: bool = False
    classes: tuple[str, ...] = ()
    sized: tuple[str, ...] = ()
    alters: Mapping[str, frozenset[str]] = field(default_factory=dict)
    wholes: tuple[Whole, ...] = ()
    contents: Mapping[str, Mapping[str, Content]] = field(default_factory=dict)
    orders: tuple[Order, ...] = ()

    @lazy
    def node_index(self) -> dict[str, int]:
        """Position of each node by name."""
        return {name: i for i, name in enumerate(self.nodes)}

    @lazy
    def stream_index(self) -> dict[str, int]:
        """Position of each stream by name."""
        return {stream.name: i for i, stream in enumerate(self.streams)}

    @lazy
    def quantities(self) -> tuple[Quantity, ...]:
        """What is followed: the solids, the components, water, then the parts by size class."""
        whole: tuple[Quantity, ...] = (SOLIDS, *self.components)
        water: tuple[Quantity, ...] = (WATER,) if self.water else ()
        of = (SOLIDS, *self.sized) if self.classes else ()
        return (*whole, *water, *(Part(what, size) for what in of for size in self.classes))

    @lazy
    def quantity_index(self) -> dict[Quantity, int]:
        """Position of each quantity."""
        return {quantity: i for i, quantity in enumerate(self.quantities)}

    @lazy
    def analytes(self) -> tuple[str, ...]:
        """What the minerals carry, in the order of first mention."""
        return tuple(dict.fromkeys(a for carried in self.contents.values() for a in carried))

    @lazy
    def identity(self) -> Hashable:
        """What makes two flowsheets the same."""
        return (
            self.nodes,
            self.streams,
            self.components,
            self.water,
            self.classes,
            self.sized,
            tuple((node, tuple(sorted(what))) for node, what in sorted(self.alters.items())),
            self.wholes,
            tuple((m, tuple(contents.items())) for m, contents in self.contents.items()),
            self.orders,
        )

    def conserves(self, node: str, quantity: Quantity) -> bool:
        """Say whether a node conserves a quantity."""
        altered = self.alters.get(node, frozenset())
        if isinstance(quantity, Part):
            return SIZES not in altered and quantity.of not in altered
        return quantity not in altered

    @staticmethod
    def holds(stream: Stream, quantity: Quantity) -> bool:
        """Say whether a stream can hold a quantity."""
        if quantity == WATER:
            return WATER not in stream.without
        of = quantity.of if isinstance(quantity, Part) else quantity
        return SOLIDS not in stream.without and of not in stream.without

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


def _reached(flowsheet: Flowsheet, quantity: Quantity, *, downstream: bool) -> set[str]:
    """
    Give the nodes that a quantity can reach from where it begins, or from which it can leave.

    It begins and ends outside, and at nodes that alter it.
    """
    along: dict[str | None, list[str | None]] = {}
    for stream in flowsheet.streams:
        if flowsheet.holds(stream, quantity):
            ends = (stream.source, stream.target) if downstream else (stream.target, stream.source)
            along.setdefault(ends[0], []).append(ends[1])
    altering = [n for n in flowsheet.nodes if not flowsheet.conserves(n, quantity)]
    found: set[str] = set(altering)
    waiting = [n for start in (None, *altering) for n in along.get(start, [])]
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
    faults = _traps(flowsheet, SOLIDS)
    if faults or not any(stream.without for stream in flowsheet.streams):
        return faults
    return next((f for q in flowsheet.quantities if (f := _traps(flowsheet, q))), [])


def _traps(flowsheet: Flowsheet, quantity: Quantity) -> list[Fault]:
    fed = _reached(flowsheet, quantity, downstream=True)
    drained = _reached(flowsheet, quantity, downstream=False)
    what = "nothing" if quantity == SOLIDS else f"no {quantity}"
    faults = []
    for i, node in enumerate(flowsheet.nodes):
        if (node in fed) == (node in drained):
            continue
        lacking = "has no way to any product" if node in fed else "is not fed from anywhere"
        of = "Node" if quantity == SOLIDS else f"As to {quantity}, node"
        faults.append(
            Fault(
                ("nodes", i),
                "node-without-through-flow",
                f"{of} '{node}' {lacking}, so {what} can run through it.",
                "Add the missing stream, or correct the ends of the streams around it and what "
                "they hold.",
            )
        )
    return faults


_RESERVED = {SOLIDS: "the dry solids", WATER: "the water of a stream", SIZES: "the size classes"}


def _reserved_names(flowsheet: Flowsheet) -> list[Fault]:
    return [
        Fault(
            ("components", i),
            "reserved-name",
            f"'{name}' names {_RESERVED[name]} and cannot be a component.",
            "Choose another name for the component.",
        )
        for i, name in enumerate(flowsheet.components)
        if name in _RESERVED
    ]


def _strangers(
    where: tuple[str | int, ...], names: Iterable[str], known: Iterable[str], kind: str
) -> list[Fault]:
    """Names used that are not known."""
    known = tuple(known)
    return [
        Fault(
            where,
            f"unknown-{kind}",
            f"The {kind} '{name}' is not one of the flowsheet.",
            f"Correct the name. Known: {', '.join(known[:20]) or 'none'}.",
        )
        for name in dict.fromkeys(names)
        if name not in known
    ]


def _naming_faults(flowsheet: Flowsheet) -> list[Fault]:
    """Names in the further members that the flowsheet does not have."""
    components, streams = flowsheet.components, tuple(s.name for s in flowsheet.streams)
    altered = (WATER, SIZES, *components)
    faults = _strangers(("sized",), flowsheet.sized, components, "component")
    for i, stream in enumerate(flowsheet.streams):
        known = (SOLIDS, WATER, *components)
        faults += _strangers(("streams", i, "without"), stream.without, known, "quantity")
    for node, what in flowsheet.alters.items():
        faults += _strangers(("alters",), (node,), flowsheet.nodes, "node")
        faults += _strangers(("alters",), sorted(what), altered, "quantity")
    for i, whole in enumerate(flowsheet.wholes):
        faults += _strangers(("wholes", i), whole.components, components, "component")
        faults += _strangers(("wholes", i), whole.streams or (), streams, "stream")
    faults += _strangers(("contents",), flowsheet.contents, components, "component")
    for i, order in enumerate(flowsheet.orders):
        faults += _strangers(("orders", i), (order.component,), components, "component")
        faults += _strangers(("orders", i), (order.richer, order.than), streams, "stream")
    return faults


def faults_of(flowsheet: Flowsheet) -> list[Fault]:
    """Give everything that is wrong with the flowsheet, in the order of its members."""
    faults = _doubled("node", flowsheet.nodes)
    faults += _doubled("stream", (s.name for s in flowsheet.streams))
    faults += _doubled("component", flowsheet.components)
    faults += _doubled("class", flowsheet.classes)
    faults += _reserved_names(flowsheet)
    faults += _naming_faults(flowsheet)
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
