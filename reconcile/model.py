"""
From names to rows: where each extensive quantity stands, what is conserved, what was read.

Column ``stream · Q + quantity`` holds one of the Q extensive quantities of one stream; the
quantity 0 is the dry solids.  Behind them stand the unknowns of no stream: contents of minerals
that are not exactly known, and causes of shared errors.  All rows are built here, so a new kind of
reading or of conservation is a new row, not a new branch.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy.sparse as sp

from .flowsheet import SOLIDS, WATER, Flowsheet, Part, Quantity
from .kernel.exact import NO_TOTALS, Rows, Totals, closing
from .kernel.factory import is_small
from .kernel.first_flows import Sheet, entering
from .kernel.generic import POINT_SEED, numbers
from .kernel.ground import ground_of
from .kernel.lazy import lazy
from .kernel.limits import CLOSES_WELL
from .kernel.network import flows, joined
from .kernel.problem import Places
from .measurands import Measurand, measurand

if TYPE_CHECKING:
    from .kernel.ground import Ground
    from .kernel.problem import Bools, Floats, Ints
    from .readings import Reading


class Key(NamedTuple):
    """What one reading reads: streams whose amounts are added, a measurand, shared causes."""

    streams: tuple[str, ...]
    of: Measurand
    causes: tuple[tuple[str, float], ...] = ()

    @property
    def where(self) -> str:
        """The streams, in words."""
        return " + ".join(f"'{name}'" for name in self.streams) or "no stream"


@dataclass(frozen=True, slots=True)
class Common:
    """An unknown of no stream, with what is known of it beforehand; ``of`` names it."""

    of: tuple[str, ...]
    value: float
    sd: float

    @property
    def typical(self) -> float:
        """Its size, for scaling."""
        return max(abs(self.value), self.sd)


def keys_of(flowsheet: Flowsheet, readings: Iterable[Reading]) -> list[Key]:
    """
    Give what readings read.

    Raises
    ------
    KeyError
        if the flowsheet has no such quantity.
    """
    named: dict[str, Measurand] = {}
    keys = []
    for reading in readings:
        of = reading.of
        if isinstance(of, str):
            if of not in named:
                named[of] = measurand(flowsheet, of)
            of = named[of]
        keys.append(Key(reading.streams, of, reading.causes))
    return keys


def causes_of(keys: Iterable[Key]) -> tuple[Common, ...]:
    """Give the shared causes that readings name, each a standard normal variable."""
    names = dict.fromkeys([name for key in keys for name, _ in key.causes])
    return tuple(Common((name,), 0.0, 1.0) for name in names)


def levels_of(measurands: Iterable[Measurand]) -> tuple[str, ...]:
    """Give the levels that readings are taken against, of which nothing is known beforehand."""
    return tuple(dict.fromkeys([of.level for of in measurands if of.level is not None]))


def uncertain_contents(flowsheet: Flowsheet) -> tuple[Common, ...]:
    """Give the contents of minerals that have an error of their own."""
    return tuple(
        Common((mineral, analyte), content.value, content.sd)
        for mineral, contents in flowsheet.contents.items()
        for analyte, content in contents.items()
        if content.sd > 0
    )


_CIRCULATES = "everything of a quantity circulates"


@dataclass(frozen=True)
class Sums:
    """One of a stream's quantities as the sum of others: exact, for the streams marked."""

    whole: int
    parts: tuple[int, ...]
    streams: Bools


@dataclass(frozen=True)
class Model:
    """Numbering and rows of one flowsheet; values play no part."""

    flowsheet: Flowsheet
    causes: tuple[Common, ...] = ()
    levels: tuple[str, ...] = ()

    @property
    def streams(self) -> int:
        """Number of streams."""
        return len(self.flowsheet.streams)

    @lazy
    def kinds(self) -> int:
        """Number of extensive quantities in each stream."""
        return len(self.flowsheet.quantities)

    @lazy
    def common(self) -> tuple[Common, ...]:
        """The unknowns of no stream: contents, then causes."""
        return (*uncertain_contents(self.flowsheet), *self.causes)

    @property
    def amounts(self) -> int:
        """Number of unknowns that are amounts."""
        return self.streams * self.kinds

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.amounts + self.loose

    @property
    def loose(self) -> int:
        """Number of unknowns of no stream: those with something known beforehand, then levels."""
        return len(self.common) + len(self.levels)

    @property
    def first_level(self) -> int:
        """Position of the first level, behind everything else."""
        return self.amounts + len(self.common)

    @lazy
    def level_column(self) -> dict[str, int]:
        """Position of each level."""
        return {level: self.first_level + i for i, level in enumerate(self.levels)}

    @lazy
    def common_column(self) -> dict[tuple[str, ...], int]:
        """Position of each unknown of no stream."""
        return {common.of: self.amounts + i for i, common in enumerate(self.common)}

    def column(self, stream: int, quantity: int) -> int:
        """Give the position of one quantity of one stream."""
        return stream * self.kinds + quantity

    def columns(self, quantity: int) -> Ints:
        """Give the positions of one quantity over all streams."""
        return np.arange(self.streams) * self.kinds + quantity

    def wide(self, amounts: Floats, common: float | Floats) -> Floats:
        """Give (streams · Q,) or (streams, Q) numbers with those of the unknowns of no stream."""
        if not self.loose:
            return amounts.flatten()
        behind = np.broadcast_to(np.asarray(common), (self.loose,))
        return np.concatenate((amounts.ravel(), behind))

    def by_stream(self, x: Floats) -> Floats:
        """Give the amounts as (streams, Q)."""
        return x[: self.amounts].reshape(self.streams, self.kinds)

    @lazy
    def ends(self) -> tuple[Ints, Ints]:
        """Node positions each stream comes from and goes to, -1 for outside."""
        index = self.flowsheet.node_index
        source = [-1 if s.source is None else index[s.source] for s in self.flowsheet.streams]
        target = [-1 if s.target is None else index[s.target] for s in self.flowsheet.streams]
        return np.array(source, dtype=np.int64), np.array(target, dtype=np.int64)

    @lazy
    def incidence(self) -> sp.csr_array:
        """Inlets +1, outlets -1: shape (nodes, streams)."""
        source, target = self.ends
        out, into = np.flatnonzero(source >= 0), np.flatnonzero(target >= 0)
        data = np.concatenate((np.ones(len(into)), -np.ones(len(out))))
        rows = np.concatenate((target[into], source[out]))
        shape = (len(self.flowsheet.nodes), self.streams)
        return sp.csr_array((data, (rows, np.concatenate((into, out)))), shape=shape)

    @lazy
    def conserved(self) -> Bools:
        """Which node conserves which quantity: (nodes, Q)."""
        sheet = self.flowsheet
        result = np.ones((len(sheet.nodes), self.kinds), dtype=bool)
        for node in sheet.alters:
            kept = [sheet.conserves(node, quantity) for quantity in sheet.quantities]
            result[sheet.node_index[node]] = kept
        return result

    @lazy
    def absent(self) -> Bools:
        """Unknowns that are zero because their stream cannot hold them: (n,)."""
        sheet, result = self.flowsheet, np.zeros(self.size, dtype=bool)
        for i, stream in enumerate(sheet.streams):
            if stream.without:
                lacking = [not sheet.holds(stream, quantity) for quantity in sheet.quantities]
                result[i * self.kinds : (i + 1) * self.kinds] = lacking
        return result

    @lazy
    def signed(self) -> Bools:
        """Streams whose amounts may be negative: (streams,)."""
        return np.array([stream.signed for stream in self.flowsheet.streams], dtype=bool)

    @lazy
    def free(self) -> Bools:
        """Unknowns without a lower bound: (n,)."""
        result = np.ones(self.size, dtype=bool)
        result[: self.amounts] = np.repeat(self.signed, self.kinds)
        return result

    @lazy
    def sums(self) -> tuple[Sums, ...]:
        """Quantities that are sums of others in the same stream: size classes, closures."""
        sheet, at = self.flowsheet, self.flowsheet.quantity_index
        everywhere = np.ones(self.streams, dtype=bool)
        of = (SOLIDS, *sheet.sized) if sheet.classes else ()
        sums = [Sums(at[w], tuple(at[Part(w, c)] for c in sheet.classes), everywhere) for w in of]
        for whole in sheet.wholes:
            here = everywhere.copy()
            if whole.streams is not None:
                here = np.isin([s.name for s in sheet.streams], whole.streams)
            sums.append(Sums(0, tuple(at[c] for c in whole.components), here))
        return tuple(sums)

    @lazy
    def ground(self) -> Ground:
        """What follows from the ends of its streams alone."""
        parts = self.conserved, self._held, self.signed, self.nests, self._totals
        drawn = numbers(POINT_SEED, 2 * self.amounts)
        found: Ground = ground_of(self.ends, *parts, (drawn[: self.amounts], drawn[self.amounts :]))
        return found

    @property
    def _totals(self) -> Totals:
        if not self.sums:
            return NO_TOTALS
        terms = [sorted(Counter(total.parts).items()) for total in self.sums]
        part, times = np.array([t for one in terms for t in one]).reshape(-1, 2).T.astype(np.int64)
        return Totals(
            np.array([total.whole for total in self.sums], dtype=np.int64),
            np.cumsum([0, *(len(one) for one in terms)]),
            part.copy(),
            -times.astype(np.float64),
            np.array([total.streams for total in self.sums], dtype=bool).reshape(-1, self.streams),
        )

    @property
    def balances(self) -> tuple[Ints, Ints]:
        """
        Node and quantity of each row of conservation, each (rows,).

        A whole is left out where the sums of its streams and the rows of its parts imply it.
        """
        return self.ground.node, self.ground.quantity

    @property
    def exact_rows(self) -> Rows:
        """All rows that are zero at a balance: conservation, then sums within streams."""
        return self.ground.exact

    @property
    def is_small(self) -> bool:
        """Whether dense factors are the faster road for it."""
        return is_small(len(self.balances[0]), self.size)

    @lazy
    def conservation(self) -> sp.csr_array:
        """Rows zero at a balance, in the order of :attr:`balances`: shape (rows, unknowns)."""
        return self.exact_rows.part(0, len(self.balances[0])).matrix(self.size)

    @lazy
    def summing(self) -> sp.csr_array:
        """Rows whole - parts, zero at a balance: shape (rows, unknowns)."""
        rows = self.exact_rows
        return rows.part(len(self.balances[0]), rows.height).matrix(self.size)

    def stream_of_sum(self, row: int) -> str:
        """Give the stream in which a row of :attr:`summing` adds up."""
        streams = np.concatenate([np.flatnonzero(total.streams) for total in self.sums])
        return self.flowsheet.streams[int(streams[row])].name

    @lazy
    def exact(self) -> sp.csr_array:
        """All rows that are zero at a balance: conservation, then sums within streams."""
        return self.exact_rows.matrix(self.size)

    def closes(self, x: Floats, least: Floats) -> Bools:
        """
        Say of each lane of ``x`` (n, lanes) whether all that is exact holds to rounding, (lanes,).

        Rounding is measured by the flows, none of which counts less than ``least`` (n,).
        """
        found: Bools = closing(*self.exact_rows, np.ascontiguousarray(x), least, CLOSES_WELL)
        return found

    @lazy
    def nests(self) -> tuple[Ints, Ints]:
        """Pairs (part, whole) of quantities of which the part is at most the whole."""
        sheet, at = self.flowsheet, self.flowsheet.quantity_index
        pairs = [(at[c], 0) for c in sheet.components]
        if sheet.classes:
            pairs += [
                (at[Part(c, s)], at[Part(SOLIDS, s)]) for c in sheet.sized for s in sheet.classes
            ]
        part = np.array([p for p, _ in pairs], dtype=np.int64)
        return part, np.array([w for _, w in pairs], dtype=np.int64)

    @property
    def within_rows(self) -> Rows:
        """Rows whole - part ≥ 0, stream by stream: shape (streams · nests, unknowns)."""
        return self.ground.within

    @lazy
    def within(self) -> sp.csr_array:
        """The same as a matrix."""
        return self.within_rows.matrix(self.size)

    def nest_of(self, row: int) -> tuple[int, int]:
        """Give the stream and the part of a row of :attr:`within`."""
        part, _ = self.nests
        streams = np.flatnonzero(~self.signed)
        stream, nest = divmod(row, len(part))
        return int(streams[stream]), int(part[nest])

    @lazy
    def inside(self) -> dict[int, tuple[int, ...]]:
        """Quantities that vanish with a quantity, itself first."""
        sheet, at = self.flowsheet, self.flowsheet.quantity_index
        dry = tuple(i for q, i in at.items() if q not in (WATER, SOLIDS))
        result: dict[int, tuple[int, ...]] = {i: (i,) for i in range(self.kinds)}
        result[0] = (0, *dry)
        for size in sheet.classes:
            parts = tuple(at[Part(c, size)] for c in sheet.sized)
            result[at[Part(SOLIDS, size)]] = (at[Part(SOLIDS, size)], *parts)
        for component in sheet.sized:
            parts = tuple(at[Part(component, size)] for size in sheet.classes)
            result[at[component]] = (at[component], *parts)
        return result

    def with_wholes(self, columns: Bools, closed: Bools) -> Bools:
        """Mark the wholes as well whose parts are all among those marked or ``closed``, (n,)."""
        result = columns.copy()
        zero = columns | closed
        for total in self.sums:
            start = np.flatnonzero(total.streams) * self.kinds
            parts = start[:, None] + np.array(total.parts)
            whole = start + total.whole
            gone = zero[parts].all(axis=1) & columns[parts].any(axis=1) & ~closed[whole]
            result[whole[gone]] = True
        return result

    def emptied(self, columns: Bools) -> Bools:
        """Give the unknowns that vanish with those marked, (n,)."""
        result = columns.copy()
        for column in np.flatnonzero(columns[: self.amounts]):
            stream, quantity = divmod(int(column), self.kinds)
            result[[self.column(stream, q) for q in self.inside[quantity]]] = True
        return result

    def left_open(self, closed: Bools) -> int:
        """
        Give how many unknowns conservation alone leaves undetermined, ``closed`` (n,) being zero.

        Where nothing adds up within streams.  Of a quantity, the balances of nodes that streams
        join depend on one another if nothing enters or leaves there: one is idle (the rank of an
        incidence matrix).
        """
        if closed is self.absent:
            return self._left_open
        return self._left_open_with(closed)

    @lazy
    def _left_open(self) -> int:
        return self._left_open_with(self.absent)

    def _left_open_with(self, closed: Bools) -> int:
        source, target = self.ends
        nodes = len(self.flowsheet.nodes)
        running = ~closed[: self.amounts].reshape(self.streams, self.kinds)
        rank = 0
        for quantity in range(self.kinds):
            # Whatever does not conserve it, and what is not of the flowsheet, is one place.
            inside = np.append(self.conserved[:, quantity], False)
            place = np.where(inside, np.arange(nodes + 1), nodes)
            stream = np.flatnonzero(running[:, quantity])
            parts = joined(place[source[stream]], place[target[stream]], nodes + 1)
            rank += nodes - int(parts.max())
        return int((~closed).sum()) - rank

    @lazy
    def sheet(self) -> Sheet:
        """The flowsheet as the compiled loops read it."""
        where = (*self.ends, self.part_of, self._held, self.ground.begins)
        return Sheet(*where, self.entries, self.signed, len(self.flowsheet.nodes))

    def entering(self, amounts: Floats) -> Floats:
        """Give what enters of each quantity in each stream's part of the sheet, (streams, Q)."""
        found: Floats = entering(self.sheet, amounts)
        return found

    @property
    def entries(self) -> Bools:
        """Streams whose amount sets a part's throughput: (streams,), feeds or one of a circuit."""
        return self.ground.entries

    @lazy
    def _held(self) -> Bools:
        """Which streams hold which quantity, (streams, Q)."""
        return ~self.absent[: self.amounts].reshape(self.streams, self.kinds)

    def flows(self, feeds: Floats, share: Floats, quantities: Sequence[int] | slice) -> Floats:
        """
        Give the flows of quantities that follow from their entries and a split at every node.

        ``feeds`` and ``share`` (streams, quantities): the amount of each entry, and of each other
        stream the share of its node's outlets (normalised here).  Every node that conserves one
        balances it.

        Raises
        ------
        numpy.linalg.LinAlgError
            if the shares let nothing out of a circuit.
        """
        held, begins = self._held[:, quantities].copy(), self.ground.begins[:, quantities].copy()
        feeds, share = (np.broadcast_to(one, held.shape).copy() for one in (feeds, share))
        result = np.empty(held.shape)
        if not flows(self.ground.network, held, begins, feeds, share, result):
            raise np.linalg.LinAlgError(_CIRCULATES)
        return result

    @property
    def balanced(self) -> Floats:
        """
        A point (n,) at which every balance holds, without sums.

        Raises
        ------
        numpy.linalg.LinAlgError
            if nothing gets out of a circuit.
        """
        if not self.ground.leaves:
            raise np.linalg.LinAlgError(_CIRCULATES)
        if not self.loose:
            return self.ground.point
        return self.wide(
            self.ground.point, numbers(POINT_SEED, self.amounts + self.size)[-self.loose :]
        )

    @lazy
    def places(self) -> Places:
        """Stream of each unknown and node of each balance."""
        groups = np.repeat(np.arange(self.streams), self.kinds)
        return Places(np.concatenate((groups, np.full(self.loose, -1))), self.ground.node)

    @property
    def part_of(self) -> Ints:
        """Which connected part of the flowsheet each stream belongs to, shape (streams,)."""
        return self.ground.part

    def label(self, column: int) -> tuple[str, Quantity]:
        """Give the stream and the quantity of an amount's position."""
        stream, quantity = divmod(column, self.kinds)
        return self.flowsheet.streams[stream].name, self.flowsheet.quantities[quantity]


def model_of(
    flowsheet: Flowsheet, measurands: Iterable[Measurand], shared: Iterable[Key] = ()
) -> Model:
    """Number a flowsheet for readings of these measurands, those ``shared`` with causes."""
    return Model(flowsheet, causes_of(shared), levels_of(measurands))
