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
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import part_of_others
from .ordering import by_node, in_order, matched, weak_unknowns

if TYPE_CHECKING:
    from .exact import Rows
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


class Standing(NamedTuple):
    """
    Where unknowns and balances stand.

    ``groups`` (n,) the stream of each unknown, -1 for those of no stream, and ``rows`` (e,) the
    node of each balance.  ``rank`` (n,) and ``row_rank`` (e,) say which quantity they belong to:
    those of a low rank may go first.  With the solids of the highest rank the quantities do not
    couple until only solids are left (an arrow), which is cheap as long as all streams' solids may
    couple with one another.  With all ranks zero there is the one order alone.
    """

    groups: Ints
    rows: Ints
    rank: Ints
    row_rank: Ints


@part_of_others
def standing_of(
    balances: tuple[Ints, Ints], rows: int, shape: tuple[int, int], unknowns: int, ranked: bool
) -> Standing:
    """
    Say where everything stands: unknowns stream by stream, then those of no stream.

    ``balances`` are the node and the quantity of the first of the ``rows``, of which the others
    stand alone; ``shape`` is (streams, Q).  ``ranked`` orders by quantity, solids last.
    """
    (node, quantity), (streams, kinds) = balances, shape
    groups, rank = np.full(unknowns, -1, dtype=np.int64), np.zeros(unknowns, dtype=np.int64)
    row_groups, row_rank = np.empty(rows, dtype=np.int64), np.zeros(rows, dtype=np.int64)
    for j in range(streams * kinds):
        groups[j] = j // kinds
        if ranked:
            rank[j] = j % kinds if j % kinds > 0 else kinds
    beyond = node.max() + 1 if len(node) > 0 else 0
    for r in range(rows):
        row_groups[r] = node[r] if r < len(node) else beyond + r - len(node)
        if ranked:
            row_rank[r] = quantity[r] if r < len(node) and quantity[r] > 0 else kinds
    return Standing(groups, row_groups, rank, row_rank)


@part_of_others
def eliminations(
    equal: Rows, slopes: Rows, first: Ints, second: Ints, at: Standing
) -> tuple[Bools, Rows, Ints, Ints, Ints, Ints]:
    """
    Give the orders of one pattern: all streams before all nodes, or quantity by quantity.

    ``equal`` are the balances, ``slopes`` the readings' derivatives at values typical of those to
    come, ``first`` and ``second`` the products of two entries of one of these.  Gives the weak
    unknowns and the moves that no reading sees (:func:`weak_unknowns`), then the whole order and
    what comes last in it, for either.  What readings all over
    the flowsheet share comes last of all: eliminated earlier, it would couple every node with
    every other.
    """
    common, groups = at.groups < 0, at.groups.copy()
    groups[common] = groups.max() + 1
    order, weak, unseen = weak_unknowns(first, second, slopes.column, slopes.data, groups)
    sequence = by_node(equal.start, equal.column, groups, at.rows)
    row, unknown = matched(equal.start, equal.column, weak, sequence)
    none, row_none = np.zeros_like(at.rank), np.zeros_like(at.row_rank)
    one, last = in_order(order, weak, common, row, unknown, none, row_none, 1)
    ranks = 1 + max(at.rank.max(), at.row_rank.max())
    if ranks == 1:
        return weak, unseen, one, last, one, last
    other, other_last = in_order(order, weak, common, row, unknown, at.rank, at.row_rank, ranks)
    return weak, unseen, one, last, other, other_last
