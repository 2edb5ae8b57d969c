"""
The plan: everything that depends on the flowsheet and on which quantities were read, on no value.

Numbering, rows, and the generic classification, taken at a random point that balances: a rank that
holds there holds almost everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .flowsheet import SOLIDS, Flowsheet
from .kernel.budget import Budget
from .kernel.factory import pins_of
from .model import Key, Model
from .observability import Structure, structure_of

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints, Ratios

_GENERIC_SEED = 19370101
"""Any seed does: the classes found at two random points differ with probability zero."""


@dataclass(frozen=True)
class Plan:
    """
    A flowsheet with the quantities that are read, ready for any values.

    ``keys`` name the readings in order; ``fixed`` (m,) marks those held exactly;
    ``budget`` limits the work.
    """

    model: Model
    keys: tuple[Key, ...]
    fixed: Bools
    budget: Budget

    @cached_property
    def ratios(self) -> Ratios:
        """The readings as ratios."""
        return self.model.ratios(self.keys)

    @cached_property
    def gauges(self) -> Ints:
        """
        Feed masses held while solving, one for each part of the flowsheet without a mass reading.

        Nothing but assays was read there, so every mass may be scaled alike: the part is solved
        on the feed that the start gives it, and its masses stay unobservable.
        """
        model = self.model
        streams = model.flowsheet.stream_index
        weighed = {model.part_of[streams[name]] for name, of in self.keys if of == SOLIDS}
        part = np.where(model.entries, model.part_of, -1)
        free = [p for p in np.unique(model.part_of) if p not in weighed]
        return np.array([np.flatnonzero(part == p)[0] * model.kinds for p in free], dtype=np.int64)

    @cached_property
    def gauge_rows(self) -> sp.csr_array:
        """One row for each gauge, shape (gauges, n)."""
        count = len(self.gauges)
        shape = (count, self.model.size)
        return sp.csr_array((np.ones(count), (np.arange(count), self.gauges)), shape=shape)

    def solver_pins(self, closed: Bools) -> Bools:
        """Give the unknowns to hold while solving, beside the gauges, shape (n,)."""
        if not len(self.gauges):
            return self.structure_with(closed).pins if closed.any() else self.structure.pins
        balances = sp.csr_array(sp.vstack((self.model.conservation, self.gauge_rows)))
        rows = self._generic_rows(self.meaningful(closed), closed)
        return pins_of(balances, rows, closed, self.model.places, self.budget)

    @cached_property
    def structure(self) -> Structure:
        """The generic classification with every stream running."""
        return self.structure_with(np.zeros(self.model.size, dtype=bool))

    @cached_property
    def degrees_of_freedom(self) -> int:
        """Number of independent checks among the readings that are not fixed."""
        return self.degrees_with(np.zeros(self.model.size, dtype=bool))

    def meaningful(self, closed: Bools) -> Bools:
        """Say which readings keep a meaning when ``closed`` unknowns are zero: shape (m,)."""
        alive = self.ratios.denominators((~closed).astype(float))
        return alive > 0

    def structure_with(self, closed: Bools) -> Structure:
        """Give the generic classification with ``closed`` unknowns zero; readings (m,) in order."""
        kept = self.meaningful(closed)
        found = self._classified(kept, closed)
        redundant = np.zeros(len(self.keys), dtype=bool)
        redundant[kept] = found.redundant
        return Structure(found.pins, found.moves, redundant, closed)

    def degrees_with(self, closed: Bools) -> int:
        """Give the degrees of freedom with ``closed`` unknowns zero."""
        kept = self.meaningful(closed)
        left = int(self.structure_with(closed).pins.sum()) if closed.any() else self._pins
        exact = kept & self.fixed
        without = self._pins_with(exact, closed)
        return int((kept & ~self.fixed).sum()) + left - without

    def _classified(self, chosen: Bools, closed: Bools) -> Structure:
        rows = self._generic_rows(chosen, closed)
        model = self.model
        return structure_of(model.conservation, rows, closed, model.places, self.budget)

    def _pins_with(self, chosen: Bools, closed: Bools) -> int:
        """Give how many unknowns the balances and the ``chosen`` readings leave undetermined."""
        if not chosen.any() and not closed.any():
            idle = len(self.model.closed_parts) * self.model.kinds
            return self.model.size - self.model.conservation.shape[0] + idle
        rows = self._generic_rows(chosen, closed)
        return int(
            pins_of(self.model.conservation, rows, closed, self.model.places, self.budget).sum()
        )

    @property
    def _pins(self) -> int:
        return int(self.structure.pins.sum())

    @cached_property
    def _generic_point(self) -> Floats:
        random = np.random.default_rng(_GENERIC_SEED)
        model = self.model
        point = np.zeros((model.streams, model.kinds))
        for quantity in range(model.kinds):
            feeds = random.uniform(0.5, 1.5, model.streams)
            point[:, quantity] = model.flow(feeds, random.uniform(0.5, 1.5, model.streams))
        return point.ravel()

    def _generic_rows(self, chosen: Bools, closed: Bools) -> sp.csr_array:
        ratios = self.ratios.keep(chosen)
        point = np.where(closed, 0.0, self._generic_point)
        below = ratios.denominators(point)
        return ratios.jacobian(ratios.numerators(point) / below, 1 / below)


def plan(flowsheet: Flowsheet, keys: Sequence[Key], fixed: Sequence[bool], budget: Budget) -> Plan:
    """
    Plan the reconciliation of a checked flowsheet.

    ``keys`` are (stream, quantity) pairs without repeats; ``fixed`` says of each whether its value
    is held exactly.
    """
    return Plan(Model(flowsheet), tuple(keys), np.asarray(fixed, dtype=bool), budget)
