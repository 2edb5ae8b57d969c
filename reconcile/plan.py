"""
The plan: everything that depends on the flowsheet and on which quantities were read, on no value.

Numbering, rows, and the generic classification, taken at a random point that balances: a rank that
holds there holds almost everywhere.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .flowsheet import Flowsheet
from .kernel.active_set import Held
from .kernel.budget import Budget, in_hand
from .kernel.elimination import Ranks
from .kernel.factory import pins_of, unit_factor
from .kernel.layout import layout_of
from .kernel.lazy import lazy
from .kernel.limits import LEVERAGE_TOLERANCE
from .kernel.losses import Loss, Losses
from .kernel.problem import Ratios
from .model import Key, Model, model_of
from .observability import Structure, null_space, structure_of, unexplained
from .rows import readings_as_ratios

if TYPE_CHECKING:
    from .kernel.lane_readings import Layout
    from .kernel.problem import Bools, Floats, Ints

_GENERIC_SEED = 19370101
"""Any seed does: the classes found at two random points differ with probability zero."""


@dataclass(frozen=True)
class Plan:
    """
    A flowsheet with the quantities that are read, ready for any values.

    ``keys`` name the readings in order; ``kinds`` (m,) how each counts and ``fixed`` (m,) those
    held exactly, both with what is known of the common unknowns and the orders behind the readings.
    What it works out is limited by the budget of the calculation in hand.
    """

    model: Model
    keys: tuple[Key, ...]
    losses: Losses
    fixed: Bools

    @property
    def budget(self) -> Budget:
        """The budget of the calculation in hand."""
        return in_hand()

    @property
    def weight(self) -> int:
        """What keeping it costs, in unknowns and readings."""
        return self.model.size + len(self.fixed)

    @lazy
    def ratios(self) -> Ratios:
        """The readings, priors and orders as ratios, (m,)."""
        return readings_as_ratios(self.model, self.keys)

    @lazy
    def telling(self) -> Bools:
        """Rows that are numbers of their own, not limits or orders, (m,)."""
        return self.losses.counted

    @lazy
    def direct(self) -> tuple[Ints, Ints, Ints]:
        """Readings of one quantity of one stream, an amount or an assay: reading, stream, kind."""
        sheet = self.model.flowsheet
        found = [
            (i, sheet.stream_index[key.streams[0]], sheet.quantity_index[key.of.above[0][0]])
            for i, (key, telling) in enumerate(zip(self.keys, self.telling, strict=False))
            if telling and len(key.streams) == 1 and key.of.is_plain
        ]
        reading, stream, kind = np.array(found, dtype=np.int64).reshape(-1, 3).T
        return reading, stream, kind

    @lazy
    def gauges(self) -> Ints:
        """
        Feed masses held while solving, one for each part of the flowsheet without an amount read.

        Nothing but ratios was read there, so every mass may be scaled alike: the part is solved
        on the feed that the start gives it, and its masses stay unobservable.
        """
        model = self.model
        streams = model.flowsheet.stream_index
        weighed = {
            model.part_of[streams[name]]
            for key in self.keys
            if key.of.is_amount
            for name in key.streams
        }
        running = model.entries & ~model.absent[model.columns(0)]
        part = np.where(running, model.part_of, -1)
        free = [p for p in np.unique(model.part_of) if p not in weighed and (part == p).any()]
        return np.array([np.flatnonzero(part == p)[0] * model.kinds for p in free], dtype=np.int64)

    @lazy
    def gauge_rows(self) -> sp.csr_array:
        """One row for each gauge, shape (gauges, n)."""
        count = len(self.gauges)
        shape = (count, self.model.size)
        return sp.csr_array((np.ones(count), (np.arange(count), self.gauges)), shape=shape)

    @lazy
    def layout(self) -> Layout | None:
        """
        The statement laid out for the compiled road, ``None`` where it needs the general one.

        That is where the values enter the equalities (fixed readings), where unknowns multiply each
        other, and where readings cost anything but squares.
        """
        if self.fixed.any() or not self.losses.plain or len(self.ratios.products.row):
            return None
        model = self.model
        equalities = sp.csr_array(sp.vstack((model.exact, self.gauge_rows)))
        every = np.ones(self.ratios.count, dtype=bool)
        typical = self._generic_rows(every, model.absent, alone=False)
        parts = (equalities, self.ratios, model.within, typical)
        return layout_of(*parts, model.places, self._ranks)

    @property
    def _ranks(self) -> Ranks | None:
        """Solids after all else, where nothing but solids couples the quantities."""
        model = self.model
        if model.sums or model.loose:
            return None
        kind = np.arange(model.size) % model.kinds
        _, quantity = model.balances
        rows = np.concatenate((quantity, np.zeros(len(self.gauges), dtype=np.int64)))
        unknowns, rows = (np.where(q == 0, model.kinds, q) for q in (kind, rows))
        return Ranks(unknowns, rows)

    @lazy
    def open_pins(self) -> Bools:
        """Unknowns to hold while solving with every stream running, shape (n,)."""
        return self._solver_pins(self.model.absent)

    def solver_pins(self, closed: Bools) -> Bools:
        """Give the unknowns to hold while solving, beside the gauges, shape (n,)."""
        if np.array_equal(closed, self.model.absent):
            return self.open_pins
        return self._solver_pins(closed)

    def _solver_pins(self, closed: Bools) -> Bools:
        meaningful = self.meaningful(closed)
        if not len(self.gauges) and self.telling.all():
            return self.structure_with(closed).pins
        balances = sp.csr_array(sp.vstack((self.model.exact, self.gauge_rows)))
        rows = self._generic_rows(meaningful, closed)
        return pins_of(balances, rows, closed, self.model.places, self.budget)

    def steady(self, closed: Bools) -> Bools:
        """Say which readings' denominators no undetermined move changes, shape (m,)."""
        if np.array_equal(closed, self.model.absent):
            return self._open_steady
        return self._steady(closed)

    @lazy
    def _open_steady(self) -> Bools:
        return self._steady(self.model.absent)

    def _steady(self, closed: Bools) -> Bools:
        if len(self.gauges):
            return np.zeros(self.ratios.count, dtype=bool)
        structure = self.structure_with(closed)
        if not structure.pins.any():
            return np.ones(self.ratios.count, dtype=bool)
        ratios = self.ratios
        shape = (ratios.count, ratios.columns)
        below = sp.csr_array((ratios.below, ratios.indices, ratios.indptr), shape=shape)
        return structure.observable(below)

    @lazy
    def structure(self) -> Structure:
        """The generic classification with every stream running."""
        return self._structure_with(self.model.absent)

    @lazy
    def degrees_of_freedom(self) -> int:
        """Number of independent checks among the readings that are not fixed."""
        return self._degrees_with(self.model.absent)

    def meaningful(self, closed: Bools) -> Bools:
        """Say which readings keep a meaning when ``closed`` unknowns are zero: shape (m,)."""
        alive = self.ratios.denominators((~closed).astype(float))
        return alive > 0

    def structure_with(self, closed: Bools) -> Structure:
        """Give the generic classification with ``closed`` unknowns zero; rows (m,) in order."""
        if np.array_equal(closed, self.model.absent):
            return self.structure
        return self._structure_with(closed)

    def _structure_with(self, closed: Bools) -> Structure:
        kept = self.meaningful(closed) & self.telling
        rows = self._generic_rows(kept, closed)
        model = self.model
        found = structure_of(model.exact, rows, closed, model.places, self.budget)
        redundant = np.zeros(self.ratios.count, dtype=bool)
        redundant[kept] = found.redundant
        return Structure(found.pins, found.moves, redundant, closed)

    def dispensable(self, readings: Ints) -> bool:
        """
        Say whether without some ``readings`` (positions) all else is as determined as with them.

        Asked of small flowsheets only: the answer for all is worked out at once.
        """
        if not len(readings):
            return True
        block = self._unexplained[np.ix_(readings, readings)]
        return bool(np.linalg.eigvalsh(block)[0] > LEVERAGE_TOLERANCE)

    @lazy
    def _unexplained(self) -> Floats:
        rows = self._generic_rows(np.ones(self.ratios.count, dtype=bool), self.model.absent)
        model = self.model
        return unexplained(model.exact, rows, self.structure, model.places, self.budget)

    @lazy
    def known(self) -> tuple[Bools, Bools]:
        """Which amounts (streams, Q) and which assays (streams, components) can be known."""
        model = self.model
        components = len(model.flowsheet.components)
        every = sp.csr_array(sp.eye_array(model.size, format="csr"))
        amounts = self.structure.observable(every)[: model.amounts]
        parts = np.arange(model.amounts).reshape(model.streams, model.kinds)[:, 1 : 1 + components]
        wholes = np.repeat(model.columns(0), components)
        point = self._generic_point
        grade = point[parts.ravel()] / point[wholes]
        row = np.arange(parts.size)
        entries = (
            np.concatenate((np.ones(parts.size), -grade)),
            (np.concatenate((row, row)), np.concatenate((parts.ravel(), wholes))),
        )
        assays = sp.csr_array(entries, shape=(parts.size, model.size))
        seen = self.structure.observable(assays)
        return amounts.reshape(model.streams, model.kinds), seen.reshape(parts.shape)

    def null_space(self, closed: Bools) -> tuple[Floats, Floats]:
        """
        Give a generic point that balances (n,) and the moves there that nothing read sees (n, k).

        Raises
        ------
        OverBudget
        """
        kept = self.meaningful(closed) & self.telling
        model, structure = self.model, self.structure_with(closed)
        rows = self._generic_rows(kept, closed)
        basis = null_space(model.exact, rows, structure, model.places, self.budget)
        return np.where(closed, 0.0, self._generic_point), basis

    def open_directions(self, chosen: Bools, closed: Bools) -> int:
        """Give how many unknowns the balances and the ``chosen`` readings (m,) leave open."""
        return self._pins_with(chosen & self.meaningful(closed), closed)

    def degrees_with(self, closed: Bools) -> int:
        """Give the degrees of freedom with ``closed`` unknowns zero."""
        if np.array_equal(closed, self.model.absent):
            return self.degrees_of_freedom
        return self._degrees_with(closed)

    def _degrees_with(self, closed: Bools) -> int:
        kept = self.meaningful(closed) & self.telling
        left = int(self.structure_with(closed).pins.sum())
        without = self._pins_with(kept & self.fixed, closed)
        return int((kept & ~self.fixed).sum()) + left - without

    def _pins_with(self, chosen: Bools, closed: Bools) -> int:
        """Give how many unknowns the balances and the ``chosen`` readings leave undetermined."""
        model = self.model
        if not chosen.any() and not closed.any() and not model.sums:
            idle = len(model.closed_parts) * int(model.conserved.all(axis=0).sum())
            if model.conserved.all() or not idle:
                return model.size - model.conservation.shape[0] + idle
        rows = self._generic_rows(chosen, closed)
        return int(pins_of(model.exact, rows, closed, model.places, self.budget).sum())

    @lazy
    def _generic_point(self) -> Floats:
        random = np.random.default_rng(_GENERIC_SEED)
        model = self.model
        if model.sums:
            return self._projected(random.uniform(0.5, 1.5, model.size))
        point = np.zeros((model.streams, model.kinds))
        for quantity in range(model.kinds):
            feeds = random.uniform(0.5, 1.5, model.streams)
            share = random.uniform(0.5, 1.5, model.streams)
            point[:, quantity] = model.flow(feeds, share, quantity)
        return model.wide(point, random.uniform(0.5, 1.5, model.loose))

    def _projected(self, point: Floats) -> Floats:
        """Give the nearest point where every balance and every sum holds."""
        model = self.model
        nothing, open_ = np.zeros(model.size, dtype=bool), np.zeros(0, dtype=bool)
        held = Held(nothing, open_, nothing, model.absent)
        one = sp.csr_array(sp.eye_array(model.size, format="csr"))
        point = np.where(model.absent, 0.0, point)
        factor = unit_factor(model.exact, one, held, model.places, self.budget)
        return point + factor.solve(np.zeros(model.size), -(model.exact @ point), 0 * point).move

    def _generic_rows(self, chosen: Bools, closed: Bools, *, alone: bool = True) -> sp.csr_array:
        """Give derivatives at the generic point; ``alone`` as if no errors were shared."""
        ratios = self.ratios.keep(chosen)
        if alone:
            ratios = ratios.without_offsets(self.model.first_level)
        point = np.where(closed, 0.0, self._generic_point)
        below = ratios.denominators(point)
        ratio = ratios.numerators(point) / below
        return ratios.derivative(point, ratio, below, np.ones(ratios.count))


def plan(
    flowsheet: Flowsheet, keys: Sequence[Key], kinds: Sequence[Loss], fixed: Sequence[bool]
) -> Plan:
    """
    Plan the reconciliation of a checked flowsheet.

    ``keys`` say what is read; ``kinds`` and ``fixed`` say of each how it counts and whether its
    value is held exactly.
    """
    model = model_of(flowsheet, keys)
    priors, orders = len(model.common), len(flowsheet.orders)
    every = [*kinds, *([Loss.SQUARE] * priors), *([Loss.AT_LEAST] * orders)]
    return Plan(
        model,
        tuple(keys),
        Losses(np.array(every, dtype=np.int64)),
        np.array([*fixed, *([False] * (priors + orders))], dtype=bool),
    )


MOST_KEPT = 100_000
"""Unknowns and readings of the plans kept: about a kilobyte each, so some hundred megabytes."""


class Plans:
    """
    Plans kept for the next balance of the same flowsheet with the same quantities read.

    The least recently used go first when :data:`MOST_KEPT` is passed; safe across threads.
    """

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, Plan] = OrderedDict()
        self._lock = Lock()

    def of(
        self,
        flowsheet: Flowsheet,
        keys: Sequence[Key],
        kinds: Sequence[Loss],
        fixed: Sequence[bool],
    ) -> Plan:
        """Give the plan, a kept one if there is one."""
        name = (flowsheet.identity, tuple(keys), tuple(kinds), tuple(fixed))
        with self._lock:
            found = self._kept.get(name)
            if found is not None:
                self._kept.move_to_end(name)
                return found
        made = plan(flowsheet, keys, kinds, fixed)
        with self._lock:
            self._kept[name] = made
            while self._weight > self._most and len(self._kept) > 1:
                self._kept.popitem(last=False)
        return made

    @property
    def _weight(self) -> int:
        return sum(one.weight for one in self._kept.values())

    def __len__(self) -> int:
        """Give the number of plans kept."""
        return len(self._kept)


PLANS = Plans()
"""The plans of this process."""
