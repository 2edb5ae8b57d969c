"""
The plan: everything that depends on the flowsheet and on which quantities were read, on no value.

Numbering, rows, and the generic classification, taken at a random point that balances: a rank that
holds there holds almost everywhere.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakValueDictionary

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from .flowsheet import Flowsheet
from .kernel.active_set import Held
from .kernel.budget import Budget, in_hand
from .kernel.exact import Rows
from .kernel.factory import pins_of, unit_factor
from .kernel.generic import POINT_SEED, numbers
from .kernel.layout import layout_of
from .kernel.lazy import lazy
from .kernel.limits import EXCESS_FOR_A_FLOW, LEVERAGE_TOLERANCE
from .kernel.losses import Loss, Losses
from .kernel.pins import undetermined_on, unmoved
from .kernel.problem import Ratios
from .kernel.ratio_rows import Kinds, divided, plain_amounts, slopes_of, taken
from .kernel.skeleton import statement_of
from .model import Key, Model, model_of
from .observability import Drawn, Structure, drawn_on, push_of, structure_of
from .rows import Placed, placed, readings_as_ratios

if TYPE_CHECKING:
    from .kernel.lane_readings import Layout
    from .kernel.problem import Bools, Floats, Ints
    from .kernel.skeleton import Skeleton, Stated

T = TypeVar("T")

MOST_CLOSURES = 8
"""Sets of streams found empty whose classes a plan keeps: the starts of one balance, and those that
follow from it, meet the same one or two."""


@dataclass(frozen=True)
class Plan:
    """
    A flowsheet with the quantities that are read, ready for any values.

    ``keys`` name the readings in order, ``at`` says where they stand; ``losses`` (m,) how each
    counts and ``fixed`` (m,) those held exactly, both with what is known of the common unknowns and
    the orders behind the readings.
    What it works out is limited by the budget of the calculation in hand.
    """

    model: Model
    keys: tuple[Key, ...]
    at: Placed
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
        return readings_as_ratios(self.model, self.keys, self.at)

    @property
    def own_ratios(self) -> Ratios:
        """The readings alone, without what is known beforehand and without orders."""
        return self.ratios.keep(np.arange(self.ratios.count) < len(self.keys))

    @lazy
    def telling(self) -> Bools:
        """Rows that are numbers of their own, not limits or orders, (m,)."""
        return self.losses.counted

    @property
    def direct(self) -> tuple[Ints, Ints, Ints]:
        """Readings of one quantity of one stream, an amount or an assay: reading, stream, kind."""
        return self._taken[1]

    @lazy
    def gauges(self) -> Ints:
        """
        Feed masses held while solving, one for each part of the flowsheet without an amount read.

        Nothing but ratios was read there, so every mass may be scaled alike: the part is solved
        on the feed that the start gives it, and its masses stay unobservable.
        """
        return self._taken[0] * self.model.kinds

    @lazy
    def _taken(self) -> tuple[Ints, tuple[Ints, Ints, Ints]]:
        """The streams of :attr:`gauges`, and :attr:`direct`."""
        model, at = self.model, self.at
        quantities, weighed = model.flowsheet.quantity_index, np.zeros(model.streams, dtype=bool)
        kinds = Kinds(
            np.array([of.is_amount for of in at.of], dtype=bool),
            np.array(
                [quantities[of.above[0][0]] if of.is_plain else -1 for of in at.of], dtype=np.int64
            ),
        )
        for i in at.several:
            if at.of[at.kind[i]].is_amount:
                weighed[[model.flowsheet.stream_index[name] for name in self.keys[i].streams]] = (
                    True
                )
        begins = model.entries & ~model.absent[model.columns(0)]
        found: tuple[Ints, tuple[Ints, Ints, Ints]] = taken(
            kinds, at.kind, at.stream, self.telling, model.part_of, begins, weighed
        )
        return found

    @lazy
    def _gauge_rows(self) -> Rows:
        count = len(self.gauges)
        return Rows(np.arange(count + 1), self.gauges, np.ones(count))

    @lazy
    def gauge_rows(self) -> sp.csr_array:
        """One row for each gauge, shape (gauges, n)."""
        return self._gauge_rows.matrix(self.model.size)

    @lazy
    def equality_rows(self) -> Rows:
        """What holds exactly whatever the values: balances and sums, then gauges."""
        return self.model.exact_rows.and_then(self._gauge_rows)

    @lazy
    def equalities(self) -> sp.csr_array:
        """The same as a matrix, (e, n)."""
        return self.equality_rows.matrix(self.model.size)

    @lazy
    def skeleton(self) -> Skeleton | None:
        """
        The statement ordered and analysed for the compiled road, ``None`` where it cannot go.

        That is where the values enter the equalities (fixed readings), where unknowns multiply each
        other, and where readings cost anything but squares.
        """
        return None if self.stated is None else self.stated.skeleton

    @lazy
    def stated(self) -> Stated | None:
        """What one compiled call says of the statement at the generic point, for that road."""
        if self.fixed.any() or not self.losses.plain or len(self.ratios.products.row):
            return None
        model = self.model
        point = np.where(model.absent, 0.0, self._generic_point)
        found = statement_of(
            self.equality_rows,
            self.ratios,
            point,
            model.absent,
            push_of(model.size),
            model.balances,
            (model.streams, model.kinds),
            ranked=not model.sums and not model.loose,
        )
        self.budget.reserve(found.skeleton.symbolic.megabytes, "the factor")
        return found

    @lazy
    def layout(self) -> Layout | None:
        """The statement laid out for the compiled road, if it can go there."""
        if self.skeleton is None:
            return None
        return layout_of(self.equality_rows, self.ratios, self.model.within_rows, self.skeleton)

    @lazy
    def open_pins(self) -> Bools:
        """Unknowns to hold while solving with every stream running, shape (n,)."""
        return self._solver_pins(self.model.absent)

    def solver_pins(self, closed: Bools) -> Bools:
        """Give the unknowns to hold while solving, beside the gauges, shape (n,)."""
        if self.is_open(closed):
            return self.open_pins
        return self._solver_pins(closed)

    def _solver_pins(self, closed: Bools) -> Bools:
        if self.is_open(closed) and (opened := self._opened) is not None:
            return opened.open.pins
        meaningful = self.meaningful(closed)
        if not len(self.gauges) and self.telling.all():
            drawn = self._drawn_with(closed)
            return self.structure_with(closed).pins if drawn is None else drawn.pins
        rows = self._generic_rows(meaningful, closed)
        return pins_of(self.equalities, rows, closed, self.model.places, self.budget)

    def steady(self, closed: Bools) -> Bools:
        """Say which readings' denominators no undetermined move changes, shape (m,)."""
        if self.is_open(closed):
            return self._open_steady
        return self._steady(closed)

    @lazy
    def _open_steady(self) -> Bools:
        return self._steady(self.model.absent)

    def _steady(self, closed: Bools) -> Bools:
        if len(self.gauges):
            return np.zeros(self.ratios.count, dtype=bool)
        if self.is_open(closed) and (opened := self._opened) is not None:
            return opened.steady
        drawn = self._drawn_with(closed)
        moves = None if drawn is None else drawn.moves
        if moves is None:
            moves = self.structure_with(closed).moves
        ratios = self.ratios
        found: Bools = unmoved(ratios.indptr, ratios.indices, ratios.below, moves)
        return found

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
        return self._divided(closed)[0]

    def _divided(self, closed: Bools) -> tuple[Bools, Bools]:
        return self._open_divided if self.is_open(closed) else self._divided_with(closed)

    @lazy
    def _open_divided(self) -> tuple[Bools, Bools]:
        return self._divided_with(self.model.absent)

    def _divided_with(self, closed: Bools) -> tuple[Bools, Bools]:
        """Which readings keep a meaning, and which unknowns must not vanish for that."""
        model, ratios = self.model, self.ratios
        if self.is_open(closed) and self.stated is not None:
            meaningful, divides = self.stated.meaningful, self.stated.divides
        else:
            rows = ratios.indptr, ratios.indices, ratios.below, ratios.constant
            meaningful, divides = divided(*rows, closed, model.kinds)
        return meaningful, divides & ~model.free & ~closed

    def is_open(self, closed: Bools) -> bool:
        """Say whether nothing is zero but what no stream can hold."""
        return closed is self.model.absent or np.array_equal(closed, self.model.absent)

    def remembered(self, name: str, work: Callable[[], T]) -> T:
        """Give what was worked out under a name of what depends on the plan alone."""
        if name not in self._remembered:
            self._remembered[name] = work()
        found: T = self._remembered[name]
        return found

    @lazy
    def _remembered(self) -> dict[str, Any]:
        return {}

    def dividing(self, closed: Bools) -> Bools:
        """
        Give the unknowns that must not vanish, since readings divide by them, (n,).

        Of several that divide together (solids and water, the minerals of a grain count) only the
        solids need be there; the others may each be zero.
        """
        return self._divided(closed)[1]

    @lazy
    def open_flows(self) -> int:
        """
        Count the flows of solids that do not follow from those that were weighed.

        There is one for each ring that the other streams form, independent ones counted, with the
        surroundings as a node (Václavek 1969, quoted from memory).
        """
        sheet = self.model.flowsheet
        other = ~np.isin(self.model.columns(0), self.amounts[1])
        node, outside = sheet.node_index, len(sheet.nodes)
        both = ((s.source, s.target) for s in sheet.streams)
        ends = np.array([[outside if at is None else node[at] for at in pair] for pair in both])
        ends, shape = ends[other], (outside + 1, outside + 1)
        graph = sp.coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=shape)
        parts, _ = connected_components(graph, directed=False)
        return int(len(ends) - (outside + 1 - parts))

    @lazy
    def settles_flows(self) -> bool:
        """Say whether readings leave no room for a second set of flows that fits them as well."""
        determined = self.model.size - int(self.open_pins.sum())
        excess = len(self.keys) + self.equality_rows.height - determined
        return excess >= EXCESS_FOR_A_FLOW * self.open_flows

    @lazy
    def amounts(self) -> tuple[Ints, Ints]:
        """Readings of a single unknown as it is, and which unknown each is of."""
        ratios = self.ratios
        if self.stated is not None:
            return self.stated.amounts
        found: tuple[Ints, Ints] = plain_amounts(
            ratios.indptr, ratios.indices, ratios.above, ratios.constant
        )
        return found

    def structure_with(self, closed: Bools) -> Structure:
        """Give the generic classification with ``closed`` unknowns zero; rows (m,) in order."""
        if self.is_open(closed):
            return self.structure
        kept, name = self._closures, closed.tobytes()
        found = kept.get(name)
        if found is None:
            while len(kept) >= MOST_CLOSURES:
                kept.pop(next(iter(kept)), None)
            kept[name] = found = self._structure_with(closed)
        return found

    @lazy
    def _closures(self) -> dict[bytes, Structure]:
        return {}

    def _structure_with(self, closed: Bools) -> Structure:
        rows = self._generic_rows(self.telling_with(closed), closed)
        model = self.model
        drawn = self._drawn_with(closed)
        return structure_of(model.exact, rows, closed, model.places, self.budget, drawn)

    @lazy
    def _drawn(self) -> Drawn | None:
        """What the skeleton says of the balances and all readings, if it is of these and sure."""
        if self.skeleton is None or len(self.gauges):
            return None
        if (opened := self._opened) is not None:
            return Drawn(opened.skeleton, opened.open.pins, opened.open.moves, self._has_pivots)
        if not self.telling_with(self.model.absent).all():
            return None
        slopes = self._open_slopes
        if self.ratios.beside.any():
            slopes = self._slopes(self.ratios.without_offsets(self.model.first_level))
        return drawn_on(self.skeleton, self.model.exact_rows, slopes, self.model.absent)

    @property
    def _opened(self) -> Stated | None:
        """The statement, if it is sure what balances and all readings leave open, and no more."""
        stated = self.stated
        if stated is None or not stated.open.sure or len(self.gauges):
            return None
        return stated if stated.meaningful.all() and not self.ratios.beside.any() else None

    def _has_pivots(self) -> bool:
        """Say whether no pivot of the plan's order vanishes; of a large flowsheet take it so."""
        model, stated = self.model, self.stated
        if model.is_small and stated is not None:
            rows = model.exact_rows, stated.slopes
            return undetermined_on(stated.skeleton, *rows, ~model.absent)[1]
        return True

    def _drawn_with(self, closed: Bools) -> Drawn | None:
        return self._drawn if self.is_open(closed) else None

    def skeleton_for(self, closed: Bools, rows: int) -> Skeleton | None:
        """
        Give the balances and all readings in order, if they have one and it is these.

        That is if ``closed`` is nothing but what no stream holds and all readings are among the
        ``rows`` asked of.
        """
        whole = rows == self.ratios.count and not len(self.gauges) and self.is_open(closed)
        return self.skeleton if whole else None

    def telling_with(self, closed: Bools) -> Bools:
        """Say which readings are numbers of their own with ``closed`` unknowns zero, (m,)."""
        return self.meaningful(closed) & self.telling

    def redundant_with(self, closed: Bools) -> Bools:
        """Say which readings others determine as well with ``closed`` unknowns zero, (m,)."""
        redundant = np.zeros(self.ratios.count, dtype=bool)
        redundant[self.telling_with(closed)] = self.structure_with(closed).redundant
        return redundant

    def dispensable(self, readings: Ints) -> bool:
        """
        Say whether without some ``readings`` (positions) all else is as determined as with them.

        Asked of small flowsheets only: the answer for all is worked out at once.
        """
        if not len(readings):
            return True
        if self.structure.rows.shape[0] < self.ratios.count:
            return False
        block = self._unexplained[np.ix_(readings, readings)]
        return bool(np.linalg.eigvalsh(block)[0] > LEVERAGE_TOLERANCE)

    @lazy
    def _unexplained(self) -> Floats:
        return self.structure.unexplained()

    @lazy
    def known(self) -> tuple[Bools, Bools]:
        """Which amounts (streams, Q) and which assays (streams, components) can be known."""
        model = self.model
        components = len(model.flowsheet.components)
        amounts = self.structure.determined[: model.amounts]
        parts = np.arange(model.amounts).reshape(model.streams, model.kinds)[:, 1 : 1 + components]
        part, whole = parts.ravel(), np.repeat(model.columns(0), components)
        point = self._generic_point
        assays = self.structure.in_ratio(part, whole, point[part] / point[whole])
        return amounts.reshape(model.streams, model.kinds), assays.reshape(parts.shape)

    def null_space(self, closed: Bools) -> tuple[Floats, Floats]:
        """
        Give a generic point that balances (n,) and the moves there that nothing read sees (n, k).

        Raises
        ------
        OverBudget
        """
        basis = self.structure_with(closed).null_space(self.budget)
        return np.where(closed, 0.0, self._generic_point), basis

    def open_directions(self, chosen: Bools, closed: Bools) -> int:
        """Give how many unknowns the balances and the ``chosen`` readings (m,) leave open."""
        return self._pins_with(chosen & self.meaningful(closed), closed)

    def degrees_with(self, closed: Bools) -> int:
        """Give the degrees of freedom with ``closed`` unknowns zero."""
        if self.is_open(closed):
            return self.degrees_of_freedom
        return self._degrees_with(closed)

    def _degrees_with(self, closed: Bools) -> int:
        kept = self.telling_with(closed)
        left = int(self.structure_with(closed).pins.sum())
        without = self._pins_with(kept & self.fixed, closed)
        return int((kept & ~self.fixed).sum()) + left - without

    def _pins_with(self, chosen: Bools, closed: Bools) -> int:
        """Give how many unknowns the balances and the ``chosen`` readings leave undetermined."""
        model = self.model
        if not chosen.any() and not model.sums:
            return model.left_open(closed)
        rows = self._generic_rows(chosen, closed)
        return int(pins_of(model.exact, rows, closed, model.places, self.budget).sum())

    @lazy
    def _generic_point(self) -> Floats:
        model = self.model
        if model.sums:
            return self._projected(numbers(POINT_SEED, model.size))
        return model.balanced

    def _projected(self, point: Floats) -> Floats:
        """Give the nearest point where every balance and every sum holds."""
        model = self.model
        nothing, open_ = np.zeros(model.size, dtype=bool), np.zeros(0, dtype=bool)
        held = Held(nothing, open_, nothing, model.absent)
        one = sp.csr_array(sp.eye_array(model.size, format="csr"))
        point = np.where(model.absent, 0.0, point)
        factor = unit_factor(model.exact, one, held, model.places, self.budget)
        return point + factor.solve(np.zeros(model.size), -(model.exact @ point), 0 * point).move

    @lazy
    def _open_slopes(self) -> Rows:
        """All readings' derivatives at the generic point, shared errors included, (m, n)."""
        return self._slopes(self.ratios) if self.stated is None else self.stated.slopes

    def _slopes(self, ratios: Ratios) -> Rows:
        if len(ratios.products.row):
            return Rows.of(self._derivative(ratios, self.model.absent))
        point = np.where(self.model.absent, 0.0, self._generic_point)
        parts = ratios.above, ratios.below, ratios.beside, ratios.constant
        slope = slopes_of(ratios.indptr, ratios.indices, *parts, point)
        return Rows(ratios.indptr, ratios.indices, slope)

    @lazy
    def _open_rows(self) -> sp.csr_array:
        """The same as a matrix."""
        return self._open_slopes.matrix(self.model.size)

    def _generic_rows(self, chosen: Bools, closed: Bools) -> sp.csr_array:
        """Give derivatives at the generic point, as if no errors were shared."""
        if chosen.all() and not self.ratios.beside.any() and self.is_open(closed):
            return self._open_rows
        ratios = self.ratios.keep(chosen).without_offsets(self.model.first_level)
        return self._derivative(ratios, closed)

    def _derivative(self, ratios: Ratios, closed: Bools) -> sp.csr_array:
        point = np.where(closed, 0.0, self._generic_point)
        below = ratios.denominators(point)
        ratio = ratios.numerators(point) / below
        return ratios.derivative(point, ratio, below, np.ones(ratios.count))


def plan(
    flowsheet: Flowsheet,
    keys: Sequence[Key],
    kinds: Sequence[Loss],
    fixed: Sequence[bool],
    kept: Callable[[Model], Model] = lambda model: model,
) -> Plan:
    """
    Plan the reconciliation of a checked flowsheet.

    ``keys`` say what is read; ``kinds`` and ``fixed`` say of each how it counts and whether its
    value is held exactly; ``kept`` may give the same model from another plan, with what that one
    has worked out.
    """
    at = placed(flowsheet, keys)
    model = kept(model_of(flowsheet, at.of, [keys[i] for i in at.shared]))
    priors, orders = len(model.common), len(flowsheet.orders)
    every = np.zeros(len(keys) + priors + orders, dtype=np.int64)
    held = np.zeros(len(every), dtype=bool)
    if any(kinds):
        every[: len(keys)] = kinds
    if orders:
        every[len(keys) + priors :] = Loss.AT_LEAST
    if any(fixed):
        held[: len(keys)] = fixed
    return Plan(model, tuple(keys), at, Losses(every), held)


MOST_KEPT = 100_000
"""Unknowns and readings of the plans kept: about a kilobyte each, so some hundred megabytes."""


class Plans:
    """
    Plans kept for the next balance of the same flowsheet with the same quantities read.

    Those of one flowsheet share its model, with all that it says without readings.
    The least recently used go first when :data:`MOST_KEPT` is passed; safe across threads.
    """

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, Plan] = OrderedDict()
        self._models: WeakValueDictionary[Hashable, Model] = WeakValueDictionary()
        self._weight = 0
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
        made = plan(flowsheet, keys, kinds, fixed, self._shared)
        with self._lock:
            # Two threads that plan the same at once keep the later one.
            replaced = self._kept.pop(name, None)
            self._weight += made.weight - (replaced.weight if replaced else 0)
            self._kept[name] = made
            while self._weight > self._most and len(self._kept) > 1:
                self._weight -= self._kept.popitem(last=False)[1].weight
        return made

    def _shared(self, model: Model) -> Model:
        """Give the model of the same that plans have already, or this one."""
        name = (model.flowsheet.identity, model.causes, model.levels)
        with self._lock:
            return self._models.setdefault(name, model)

    def forget(self) -> None:
        """Forget every plan kept."""
        with self._lock:
            self._kept.clear()
            self._models.clear()
            self._weight = 0

    def __len__(self) -> int:
        """Give the number of plans kept."""
        return len(self._kept)


PLANS = Plans()
"""The plans of this process."""
