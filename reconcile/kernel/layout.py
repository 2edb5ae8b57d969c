"""A statement's patterns laid out for the compiled loops: order, factor, what goes where."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .elimination import Ranks, matching
from .lane_readings import ALONE, Layout
from .skeleton import Skeleton, skeletons_of

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .problem import Places, Ratios


def skeleton_of(
    equalities: sp.csr_array,
    ratios: Ratios,
    typical: sp.csr_array,
    places: Places,
    ranks: Ranks | None,
) -> Skeleton:
    """
    Order and analyse a statement once.

    ``typical`` (m, n) are the readings' derivatives at a typical point, by which unknowns that no
    reading sees by themselves are told.  Of the two orders, streams before nodes and quantity by
    quantity (where ``ranks`` are given), the one with less work is taken.
    """
    row_groups = places.rows_for(equalities.shape[0])
    found = matching(equalities, typical, places.groups, row_groups)
    orders = [found.eliminated()]
    if ranks is not None:
        orders.append(found.eliminated(ranks))
    tried = skeletons_of(equalities, (ratios.indptr, ratios.indices), orders)
    return min(tried, key=lambda one: one.symbolic.work)


def layout_of(
    equalities: sp.csr_array, ratios: Ratios, within: sp.csr_array, skeleton: Skeleton
) -> Layout:
    """Lay out a statement on its skeleton."""
    symbolic = skeleton.symbolic
    return Layout(
        ratios.indptr.astype(np.int64),
        ratios.indices.astype(np.int64),
        ratios.above,
        ratios.below,
        ratios.beside,
        ratios.constant,
        equalities.indptr.astype(np.int64),
        equalities.indices.astype(np.int64),
        equalities.data,
        within.indptr.astype(np.int64),
        within.indices.astype(np.int64),
        within.data,
        skeleton.elimination.weak,
        skeleton.elimination.order,
        symbolic.pointer,
        symbolic.index,
        symbolic.start,
        *symbolic.reaches,
        skeleton.pair_start,
        skeleton.pair_entry,
        skeleton.diagonal_entry,
        skeleton.balance_entry,
        ALONE,
    )
