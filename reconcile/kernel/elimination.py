"""
Order of elimination of the optimality system ``[[H, Eᵀ], [E, 0]]`` of a large flowsheet.

Eliminating the streams first and then the nodes, in a minimum-degree order of the nodes, keeps the
factor as sparse as the node graph allows.  It needs every unknown to have a pivot of its own in
``H``, which those that were not read have not (*weak* unknowns).  A weak unknown is therefore
matched with a balance that it enters and eliminated right after it, which is the algebra of merging
the two nodes that the unread stream joins; weak unknowns left without a balance come last, where
their pivot is what all readings together say of them.  Zero there means undetermined.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .ordering import in_order, matched, minimum_degree, weak_unknowns

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .problem import Bools, Ints


@dataclass(frozen=True)
class Elimination:
    """
    An order of unknowns and balances, unknowns counted first.

    ``order`` (n + e,); ``weak`` (n,) unknowns without a pivot in ``H``; ``last`` positions of the
    unknowns that no balance was left for.
    """

    order: Ints
    weak: Bools
    last: Ints


@dataclass(frozen=True)
class Ranks:
    """
    Which quantity unknowns (n,) and balances (e,) belong to: those of a low rank go first.

    With the solids of the highest rank the quantities do not couple until only solids are left
    (an arrow), which is cheap as long as all streams' solids may couple with one another.
    """

    unknowns: Ints
    rows: Ints


@dataclass(frozen=True)
class Matching:
    """
    What all orders of one pattern share.

    ``order`` (n,) the unknowns stream by stream; ``weak`` and ``common`` (n,) those without a pivot
    in ``H`` and those of no stream; ``row`` and ``unknown`` (e,) the balances in order, each with
    the weak unknown matched to it, or -1.
    """

    order: Ints
    weak: Bools
    common: Bools
    row: Ints
    unknown: Ints

    def eliminated(self, ranks: Ranks | None = None) -> Elimination:
        """Give the order: all streams before all nodes, or quantity by quantity by ``ranks``."""
        if ranks is None:
            of, of_row, count = np.zeros_like(self.order), np.zeros_like(self.row), 1
        else:
            of, of_row = ranks.unknowns, ranks.rows
            count = 1 + max(of.max(initial=0), of_row.max(initial=0))
        parts = (self.order, self.weak, self.common, self.row, self.unknown)
        # What readings all over the flowsheet share comes last: eliminated earlier, it would couple
        # every node with every other.
        whole, last = in_order(*parts, of, of_row, count)
        return Elimination(whole, self.weak, last)


def matching(
    equalities: sp.csr_array, jacobian: sp.csr_array, groups: Ints, row_groups: Ints
) -> Matching:
    """
    Match the unknowns and balances of one pattern.

    ``equalities`` (e, n) and ``jacobian`` (m, n) with values typical of those to come; ``groups``
    (n,) the stream of each unknown, -1 for none, and ``row_groups`` (e,) the node of each balance.
    """
    common = groups < 0
    groups = np.where(common, groups.max() + 1, groups)
    start, index = (part.astype(np.int64) for part in (equalities.indptr, equalities.indices))
    rows = (part.astype(np.int64) for part in (jacobian.indptr, jacobian.indices))
    order, weak = weak_unknowns(*rows, jacobian.data, groups)
    sequence = _by_node(start, index, groups, row_groups)
    row, unknown = matched(start, index, weak, sequence)
    return Matching(order, weak, common, row, unknown)


def _by_node(start: Ints, index: Ints, groups: Ints, row_groups: Ints) -> Ints:
    """Give the balances node by node, in a minimum-degree order of the nodes that streams join."""
    nodes, streams = int(row_groups.max()) + 1, int(groups.max()) + 1
    node = np.repeat(row_groups, np.diff(start))
    joined = np.unique(groups[index] * nodes + node)
    begins = np.searchsorted(joined, np.arange(streams + 1) * nodes).astype(np.int64)
    place = minimum_degree(begins, joined % nodes, nodes)
    return np.argsort(place[row_groups], kind="stable")
