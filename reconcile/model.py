"""
From names to rows: where each extensive quantity stands, what is conserved, what was read.

Column ``stream · Q + quantity`` holds one of the Q extensive quantities of one stream; the
quantity 0 is the dry solids.  All rows are built here, so a new kind of reading or of conservation
is a new row, not a new branch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from .flowsheet import SOLIDS, Flowsheet
from .kernel.problem import Places, Ratios

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints

Key = tuple[str, str]
"""A stream and what was read of it."""


@dataclass(frozen=True)
class Model:
    """Numbering and rows of one flowsheet; values play no part."""

    flowsheet: Flowsheet

    @property
    def streams(self) -> int:
        """Number of streams."""
        return len(self.flowsheet.streams)

    @property
    def kinds(self) -> int:
        """Number of extensive quantities in each stream."""
        return len(self.flowsheet.quantities)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.streams * self.kinds

    def column(self, stream: int, quantity: int) -> int:
        """Give the position of one quantity of one stream."""
        return stream * self.kinds + quantity

    def columns(self, quantity: int) -> Ints:
        """Give the positions of one quantity over all streams."""
        return np.arange(self.streams) * self.kinds + quantity

    @cached_property
    def ends(self) -> tuple[Ints, Ints]:
        """Node positions each stream comes from and goes to, -1 for outside."""
        index = self.flowsheet.node_index
        source = [-1 if s.source is None else index[s.source] for s in self.flowsheet.streams]
        target = [-1 if s.target is None else index[s.target] for s in self.flowsheet.streams]
        return np.array(source, dtype=np.int64), np.array(target, dtype=np.int64)

    @cached_property
    def incidence(self) -> sp.csr_array:
        """Inlets +1, outlets -1: shape (nodes, streams)."""
        source, target = self.ends
        out, into = np.flatnonzero(source >= 0), np.flatnonzero(target >= 0)
        data = np.concatenate((np.ones(len(into)), -np.ones(len(out))))
        rows = np.concatenate((target[into], source[out]))
        shape = (len(self.flowsheet.nodes), self.streams)
        return sp.csr_array((data, (rows, np.concatenate((into, out)))), shape=shape)

    @cached_property
    def conservation(self) -> sp.csr_array:
        """Rows node · Q + quantity, each zero at a balance: shape (nodes · Q, unknowns)."""
        return sp.csr_array(sp.kron(self.incidence, sp.eye_array(self.kinds), format="csr"))

    @cached_property
    def within(self) -> sp.csr_array:
        """Rows solids - component ≥ 0, stream by stream: shape (streams · C, unknowns)."""
        parts = self.kinds - 1
        stream = np.repeat(np.arange(self.streams), parts)
        part = np.tile(np.arange(1, self.kinds), self.streams)
        rows = np.arange(self.streams * parts)
        data = np.concatenate((np.ones(len(rows)), -np.ones(len(rows))))
        columns = np.concatenate((stream * self.kinds, stream * self.kinds + part))
        shape = (len(rows), self.size)
        return sp.csr_array((data, (np.tile(rows, 2), columns)), shape=shape)

    def ratios(self, keys: Sequence[Key]) -> Ratios:
        """Give the readings as ratios: a mass over one, an assay over the solids."""
        streams, kinds = self.flowsheet.stream_index, self.flowsheet.quantity_index
        indices, above, below, lengths = [], [], [], []
        for name, of in keys:
            solids = self.column(streams[name], 0)
            if of == SOLIDS:
                indices += [solids]
                above += [1.0]
                below += [0.0]
                lengths.append(1)
            else:
                indices += [solids, solids + kinds[of]]
                above += [0.0, 1.0]
                below += [1.0, 0.0]
                lengths.append(2)
        constant = [1.0 if of == SOLIDS else 0.0 for _, of in keys]
        return Ratios(
            self.size,
            np.concatenate(([0], np.cumsum(np.array(lengths, dtype=np.int64)))).astype(np.int64),
            np.array(indices, dtype=np.int64),
            np.array(above),
            np.array(below),
            np.array(constant),
        )

    @cached_property
    def closed_parts(self) -> Ints:
        """Connected parts without feed or product, in which everything circulates."""
        source, target = self.ends
        return np.setdiff1d(self.part_of, self.part_of[(source < 0) | (target < 0)])

    @cached_property
    def entries(self) -> Bools:
        """Streams whose amount sets a part's throughput: (streams,), feeds or one of a circuit."""
        source, _ = self.ends
        entries = source < 0
        for part in self.closed_parts:
            entries[np.flatnonzero(self.part_of == part)[0]] = True
        return entries

    def flow(self, feeds: Floats, share: Floats) -> Floats:
        """
        Give the flows that follow from the entries and a split at every node.

        ``feeds`` and ``share`` (streams,): the amount of each entry, and of each other stream the
        share of its node's outlets (normalised here).  Every node balances.
        """
        source, target = self.ends
        nodes = len(self.flowsheet.nodes)
        inner = source >= 0
        total = np.bincount(source[inner], weights=share[inner], minlength=nodes)
        part = np.where(inner, share / total[source], 0.0)
        entries = self.entries
        linked = np.flatnonzero(~entries & (target >= 0))
        passed = sp.csc_array(
            (part[linked], (target[linked], source[linked])), shape=(nodes, nodes)
        )
        fed = np.bincount(target[entries], weights=feeds[entries], minlength=nodes)
        through = splu(sp.csc_array(sp.eye_array(nodes, format="csc") - passed)).solve(fed)
        return np.where(entries, feeds, part * through[source])

    @cached_property
    def places(self) -> Places:
        """Stream of each unknown and node of each balance."""
        nodes = len(self.flowsheet.nodes)
        return Places(
            np.repeat(np.arange(self.streams), self.kinds),
            np.repeat(np.arange(nodes), self.kinds),
        )

    @cached_property
    def part_of(self) -> Ints:
        """Which connected part of the flowsheet each stream belongs to, shape (streams,)."""
        link = abs(self.incidence)
        _, part = sp.csgraph.connected_components(link @ link.T, directed=False)
        source, target = self.ends
        return np.asarray(part[np.where(source >= 0, source, target)], dtype=np.int64)
