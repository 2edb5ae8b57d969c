"""
A laboratory test as a list of passes, and the network of streams that it stands for.

A *lot* is what a label can be stuck on: a head sample, or a product of a pass.  A pass takes lots,
whole or in part, and makes lots.  Whoever writes a test down names lots and passes; nodes and
streams follow from them, and each keeps to what it stands for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from reconcile.faults import Where


@dataclass(frozen=True, slots=True)
class Lot:
    """
    A head sample or a product.

    ``is_loss`` says that nobody holds it, as dust; ``keeps`` that something of it was told of that
    was kept when parts of it were fed; ``is_weighed`` that the whole of it was weighed.
    """

    name: str
    is_loss: bool = False
    keeps: bool = False
    is_weighed: bool = False


@dataclass(frozen=True, slots=True)
class Taking:
    """
    A lot that was fed to a pass: the whole of it, or a part.

    ``takes_rest`` says of a part that nothing was left after it.
    """

    lot: str
    is_part: bool = False
    takes_rest: bool = False


@dataclass(frozen=True, slots=True)
class Pass:
    """
    A pass: what it took and what it made.

    ``reads_feed`` says that what was fed was weighed or assayed as such, all of it together;
    ``is_split`` that the products have the grades of the feed.
    """

    name: str
    fed: tuple[Taking, ...]
    products: tuple[Lot, ...]
    reads_feed: bool = False
    is_split: bool = False


@dataclass(frozen=True, slots=True)
class LaboratoryTest:
    """One test, or several that share a head: passes in the order in which they were run."""

    heads: tuple[Lot, ...]
    passes: tuple[Pass, ...]


class Role(StrEnum):
    """What a stream is in the words of a test."""

    HEAD = "head"
    PRODUCT = "product"
    LOSS = "loss"
    PART = "part"
    KEPT = "kept"
    FEED = "feed"


@dataclass(frozen=True, slots=True)
class Flow:
    """
    A stream, and what it is.

    ``place`` is the way to it in the test (``passes``, 1, ``products``, 0); ``lot`` the lot that it
    is of, none of a feed made up of several; ``run`` the pass that made it or takes it.
    """

    name: str
    role: Role
    place: Where
    lot: str | None
    run: int | None = None
    source: str | None = None
    target: str | None = None


@dataclass(frozen=True, slots=True)
class Node:
    """Where streams meet or part: a pass, a lot that was divided, a feed put together."""

    name: str
    place: Where
    run: int | None = None


@dataclass(frozen=True)
class Network:
    """
    The streams and nodes of a test.

    ``drawn`` gives for each pass the streams that it took, ``feeds`` the one stream of all of them,
    if there is one, and ``parts`` the stream of each part by pass and place among what was fed.
    """

    nodes: tuple[Node, ...]
    flows: tuple[Flow, ...]
    drawn: tuple[tuple[str, ...], ...]
    feeds: tuple[str | None, ...]
    parts: dict[tuple[int, int], str]
    kept: dict[str, str]

    def streams_into(self, run: int) -> tuple[str, ...]:
        """Give what a pass took: one stream of all of it, or each that it took."""
        feed = self.feeds[run]
        return self.drawn[run] if feed is None else (feed,)

    @cached_property
    def _by_name(self) -> dict[str, Flow]:
        return {flow.name: flow for flow in self.flows}

    def flow(self, name: str) -> Flow:
        """Give a stream by its name."""
        return self._by_name[name]


class _Drawing:
    """A network while it is drawn."""

    def __init__(self, test: LaboratoryTest, longest_name: int) -> None:
        self.test = test
        self.longest = longest_name
        self.taken = {lot.name for _, _, lot in lots(test)} | {run.name for run in test.passes}
        self.nodes: list[Node] = []
        self.flows: list[Flow] = []
        self.drawn: list[dict[int, str]] = [{} for _ in test.passes]
        self.parts: dict[tuple[int, int], str] = {}
        self.kept: dict[str, str] = {}
        self.gathers = [
            self.called(f"feed of {run.name}") if run.reads_feed else None for run in test.passes
        ]

    def called(self, name: str) -> str:
        """Give a name that nothing else has, no longer than names may be."""
        found, number = _shortened(name, self.longest), 2
        while found in self.taken:
            end = f" ({number})"
            found, number = _shortened(name, self.longest - len(end)) + end, number + 1
        self.taken.add(found)
        return found

    def entry(self, run: int) -> str:
        """Give the node at which what a pass takes arrives."""
        return self.gathers[run] or self.test.passes[run].name

    def draw(self, place: Where, made_by: int | None, lot: Lot) -> None:
        """Draw a lot, and the parts into which it went."""
        took = [(i, j, t) for i, j, t in takings(self.test) if t.lot == lot.name]
        role = Role.HEAD if made_by is None else Role.LOSS if lot.is_loss else Role.PRODUCT
        source = None if made_by is None else self.test.passes[made_by].name
        whole = next(((i, j) for i, j, t in took if not t.is_part), None)
        if whole is not None:
            target: str | None = self.entry(whole[0])
            self.drawn[whole[0]][whole[1]] = lot.name
        else:
            target = self.called(f"{lot.name}, divided") if took else None
        self.flows.append(Flow(lot.name, role, place, lot.name, made_by, source, target))
        if target is not None and whole is None:
            self.divide(place, made_by, lot, target, took)

    def divide(
        self,
        place: Where,
        made_by: int | None,
        lot: Lot,
        node: str,
        took: Sequence[tuple[int, int, Taking]],
    ) -> None:
        """Draw the parts of a lot, and what was kept of it."""
        self.nodes.append(Node(node, place))
        for i, j, _ in took:
            name = self.called(f"{lot.name} to {self.test.passes[i].name}")
            where = ("passes", i, "fed", j)
            self.flows.append(Flow(name, Role.PART, where, lot.name, i, node, self.entry(i)))
            self.parts[i, j] = self.drawn[i][j] = name
        used_up = any(taking.takes_rest for _, _, taking in took)
        # A head that nobody weighed is no more than what was fed of it.
        if lot.keeps or (not used_up and (made_by is not None or lot.is_weighed)):
            name = self.called(f"{lot.name}, kept")
            self.flows.append(Flow(name, Role.KEPT, (*place, "kept"), lot.name, None, node))
            self.kept[lot.name] = name

    def draw_pass(self, i: int) -> None:
        """Draw a pass as a node, behind the one at which its feed is put together."""
        run, gather = self.test.passes[i], self.gathers[i]
        if gather is not None:
            place = ("passes", i, "feed")
            self.nodes.append(Node(gather, place, i))
            self.flows.append(Flow(gather, Role.FEED, place, None, i, gather, run.name))
        self.nodes.append(Node(run.name, ("passes", i), i))


@dataclass(frozen=True, slots=True)
class Parting:
    """Streams that have the grades of what they were parted from: ``whole`` of one or several."""

    whole: tuple[str, ...]
    parts: tuple[str, ...]


def partings_of(test: LaboratoryTest, network: Network) -> list[Parting]:
    """Give the lots that were parted and the passes that split, in the order of the network."""
    found = []
    for node in network.nodes:
        parts = tuple(flow.name for flow in network.flows if flow.source == node.name)
        if node.run is None:
            lot = next(flow.name for flow in network.flows if flow.target == node.name)
            found.append(Parting((lot,), parts))
        elif node.name == test.passes[node.run].name and test.passes[node.run].is_split:
            found.append(Parting(network.streams_into(node.run), parts))
    return [parting for parting in found if len(parting.parts) > 1]


def _shortened(name: str, longest: int) -> str:
    return name if len(name) <= longest else f"{name[: longest - 1].rstrip()}…"


def takings(test: LaboratoryTest) -> Iterator[tuple[int, int, Taking]]:
    """Give every taking with its pass and its place among those of the pass."""
    for i, run in enumerate(test.passes):
        for j, taking in enumerate(run.fed):
            yield i, j, taking


def lots(test: LaboratoryTest) -> Iterator[tuple[Where, int | None, Lot]]:
    """Give every lot with its place and the pass that made it, in the order of the test."""
    for i, head in enumerate(test.heads):
        yield ("heads", i), None, head
    for i, run in enumerate(test.passes):
        for j, product in enumerate(run.products):
            yield ("passes", i, "products", j), i, product


def network_of(test: LaboratoryTest, longest_name: int) -> Network:
    """
    Give the streams and nodes of a test that has no faults.

    A lot fed whole is one stream to its pass.  One fed in part runs to a node of its own, which
    parts it.  ``longest_name`` is the number of characters that names made up here may have.
    """
    drawing = _Drawing(test, longest_name)
    for place, made_by, lot in lots(test):
        if made_by is not None and place[-1] == 0:
            drawing.draw_pass(made_by)
        drawing.draw(place, made_by, lot)
    return Network(
        tuple(drawing.nodes),
        tuple(drawing.flows),
        tuple(tuple(by_place[j] for j in sorted(by_place)) for by_place in drawing.drawn),
        tuple(drawing.gathers),
        drawing.parts,
        drawing.kept,
    )
