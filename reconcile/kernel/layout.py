"""A statement's patterns laid out for the compiled loops: order, factor, what goes where."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .lane_readings import ALONE, Layout

if TYPE_CHECKING:
    from .exact import Rows
    from .problem import Ratios
    from .skeleton import Skeleton


def layout_of(equal: Rows, ratios: Ratios, within: Rows, skeleton: Skeleton) -> Layout:
    """Lay out a statement on its skeleton."""
    symbolic = skeleton.symbolic
    return Layout(
        ratios.indptr,
        ratios.indices,
        ratios.above,
        ratios.below,
        ratios.beside,
        ratios.constant,
        *equal,
        *within,
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
