"""Quantities read for themselves, of which the reply may tell other figures than their readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.columns import ADJUSTMENT, SD, STANDARDISED, VALUE

from .layout import Layout
from .terms import Answering, read_in

_TOLD = [VALUE, SD, ADJUSTMENT, STANDARDISED]
"""Numbers of an estimate that are told; what was read is told as the caller wrote it."""

_IN_UNIT = slice(0, 3)
"""Those of them that have a unit."""


@dataclass(frozen=True, slots=True)
class Own:
    """
    What was read for itself, in the unit of the reply.

    ``numbers``, of which some are ``told``, are ``rows`` of figures of the quantities at
    ``positions``, then readings and their sds of those at ``read``; ``unmoved`` came out as they
    were read.
    """

    positions: list[int]
    kinds: list[int]
    read: list[int]
    unmoved: frozenset[int]
    numbers: NDArray[np.float64]
    told: NDArray[np.bool_]
    rows: int = len(_TOLD)


def own_of(it: Answering, layout: Layout) -> Own:
    """Give them."""
    found, at = it.balance.own.columns, it.balance.own.positions
    numbers, told = found.numbers[_TOLD], found.told[_TOLD]
    numbers[_IN_UNIT] *= layout.factors[at]
    read = [(*layout.readable[key], it.read[key]) for key in it.read if key in layout.readable]
    # A null is no number.
    as_read = np.array([read_in(unit, entry) for _, unit, entry in read], dtype=np.float64)
    there = ~np.isnan(as_read).reshape(-1, 2)
    with_value = frozenset(read[k][0] for k in np.flatnonzero(there[:, 0]).tolist())
    unmoved = found.told[ADJUSTMENT] & (found.numbers[ADJUSTMENT] == 0)
    return Own(
        at.tolist(),
        found.kinds.tolist(),
        [position for position, _, _ in read],
        with_value.intersection(at[unmoved].tolist()),
        np.concatenate((numbers.ravel(), as_read.ravel())),
        np.concatenate((told.ravel(), there.ravel())),
    )
