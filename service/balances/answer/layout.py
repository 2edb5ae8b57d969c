"""Where each figure of an answer stands in the list of all of them, the same for a flowsheet."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from reconcile import SOLIDS
from service.kit.units import UNITS

from .terms import PERCENT, Answering

_KEPT = "places of figures"


class Place(IntEnum):
    """Which figure it is of a quantity that follows; the last four are of what was read itself."""

    VALUE = 0
    SD = 1
    CLASS = 2
    READING = 3
    READING_SD = 4
    ADJUSTMENT = 5
    STANDARDISED = 6


KNOWN = (Place.VALUE, Place.SD, Place.CLASS)
"""The figures of what was not read."""


@dataclass(frozen=True, slots=True)
class Layout:
    """
    Where figures stand, by the positions that quantities have in what follows from the balance.

    ``count`` is how many quantities there are; ``factors`` (count,) make the unit of the reply of
    the engine's.  ``readable`` gives by stream and word the position of what may be read for
    itself, and its unit.
    """

    count: int
    factors: NDArray[np.float64]
    readable: dict[tuple[str, str], tuple[int, str | None]]

    def of(self, place: Place, positions: NDArray[np.int64]) -> NDArray[np.int64]:
        """Give where one figure of some quantities stands."""
        return place * self.count + positions

    def of_readings(self, place: int, readings: int) -> NDArray[np.int64]:
        """Give where one figure of every reading stands, of so many ``readings``."""
        return len(Place) * self.count + place * readings + np.arange(readings)


def layout_of(it: Answering) -> Layout:
    """Give the layout, the same for every balance of a flowsheet."""
    return it.kept(_KEPT, lambda: _layout(it))


def _layout(it: Answering) -> Layout:
    balance, units = it.balance, dict(it.components)
    count = len(balance.followed.columns.kinds)
    factors = np.ones(count)
    readable: dict[tuple[str, str], tuple[int, str | None]] = {}
    for stream, at in zip(balance.masses.names, balance.masses.positions.tolist(), strict=True):
        readable[stream, SOLIDS] = at, it.mass_unit
    for key, at in zip(balance.assays.names, balance.assays.positions.tolist(), strict=True):
        unit = units[key[1]]
        readable[key] = at, unit
        factors[at] = UNITS[unit].per_whole
    for table in (balance.yields, balance.recoveries, balance.splits):
        factors[table.positions] = PERCENT
    return Layout(count, factors, readable)
