"""
Quantities that follow from the balance, each a ratio of two linear functionals.

Mass, component mass, assay, yield, recovery and split differ only in their rows; value, class and
standard deviation (delta method, JCGM 100:2008, 5.1.2) are worked out once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .flowsheet import SOLIDS, WATER, Part
from .kernel.quotients import Quotients
from .kernel.rows import scale_rows

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints, Ratios
    from .linearisation import Linearisation
    from .model import Model
    from .plan import Plan


_SHARED = 64
"""Ratios to one denominator from which on it is solved for once: a whole feed, not the solids of a
stream or the inlets of a node, which are few and near."""


@dataclass(frozen=True)
class Functionals:
    """
    ``above`` (k, n) over its row of ``below`` (l, n), chosen by ``partner`` (k,).

    ``below`` is ``None`` for a sum.
    """

    above: sp.csr_array
    below: sp.csr_array | None = None
    partner: Ints | None = None


@dataclass(frozen=True)
class Derived:
    """``value``, ``sd``, ``known`` and ``defined``, each (k,)."""

    value: Floats
    sd: Floats
    known: Bools
    defined: Bools

    @property
    def sure(self) -> Bools:
        """Those that have a value and can be known, (k,)."""
        return self.known & self.defined

    def at(self, chosen: slice) -> Derived:
        """Give some of them."""
        return Derived(
            self.value[chosen], self.sd[chosen], self.known[chosen], self.defined[chosen]
        )

    def and_then(self, more: Derived) -> Derived:
        """Give them with more behind them."""
        return Derived(
            np.concatenate((self.value, more.value)),
            np.concatenate((self.sd, more.sd)),
            np.concatenate((self.known, more.known)),
            np.concatenate((self.defined, more.defined)),
        )


def _pick(columns: Ints, size: int) -> sp.csr_array:
    k = len(columns)
    return sp.csr_array((np.ones(k), columns, np.arange(k + 1)), shape=(k, size))


def of_plan(plan: Plan, make: Callable[[Model], Functionals]) -> Functionals:
    """Give functionals that depend on the flowsheet alone, made once for a plan."""
    return plan.remembered(make.__name__, lambda: make(plan.model))


def picked(columns: Ints, size: int) -> Functionals:
    """Single unknowns, (k,)."""
    return Functionals(_pick(columns, size))


def amounts(model: Model) -> Functionals:
    """Every extensive quantity itself, (streams · Q)."""
    return Functionals(_pick(np.arange(model.amounts), model.size))


def masses(model: Model) -> Functionals:
    """Dry solids of every stream, (streams,)."""
    return picked(model.columns(0), model.size)


def assays(model: Model) -> Functionals:
    """Every component over the solids of its stream, (streams · components)."""
    return shares(model, range(1, 1 + len(model.flowsheet.components)), 0)


def shares(model: Model, part: Sequence[int], whole: int) -> Functionals:
    """Quantities over a whole of the same stream, (streams · parts)."""
    stream = np.repeat(np.arange(model.streams), len(part))
    above = stream * model.kinds + np.tile(np.array(part, dtype=np.int64), model.streams)
    return Functionals(_pick(above, model.size), _pick(model.columns(whole), model.size), stream)


def class_assays(model: Model) -> Functionals:
    """Components followed by size over the solids of their class, (streams · parts)."""
    sheet, at = model.flowsheet, model.flowsheet.quantity_index
    parts = [at[Part(c, size)] for c in sheet.sized for size in sheet.classes]
    wholes = np.array([at[Part(SOLIDS, size)] for size in sheet.classes], dtype=np.int64)
    stream = np.repeat(np.arange(model.streams), len(parts))
    above = stream * model.kinds + np.tile(np.array(parts, dtype=np.int64), model.streams)
    below = (np.arange(model.streams)[:, None] * model.kinds + wholes).ravel()
    position = np.tile(np.arange(len(wholes)), len(sheet.sized))
    partner = (np.arange(model.streams)[:, None] * len(wholes) + position).ravel()
    return Functionals(_pick(above, model.size), _pick(below, model.size), partner)


def moistures(model: Model) -> Functionals:
    """Water over solids and water, (streams,)."""
    water = model.columns(model.flowsheet.quantity_index[WATER])
    above = _pick(water, model.size)
    below = sp.csr_array(above + _pick(model.columns(0), model.size))
    return Functionals(above, below, np.arange(model.streams))


def of_feed(model: Model) -> Functionals:
    """
    Each extensive quantity over the feed of it into its part of the flowsheet, (streams · Q).

    The yield for the solids, the recovery for a component.
    """
    source, _ = model.ends
    feeds = np.flatnonzero(source < 0)
    part = model.part_of
    belongs = sp.csr_array(
        (np.ones(len(feeds)), (part[feeds], feeds)), shape=(part.max() + 1, model.streams)
    )
    return Functionals(
        _pick(np.arange(model.amounts), model.size),
        _by_quantity(model, belongs),
        _with_kinds(part, model.kinds),
    )


def of_inlet(model: Model) -> Functionals:
    """Each quantity of a stream that leaves a node over all that enters it, (inner streams · Q)."""
    source, _ = model.ends
    inner = np.flatnonzero(source >= 0)
    entering = sp.csr_array((model.incidence > 0).astype(float))
    return Functionals(
        _by_quantity(model, _pick(inner, model.streams)),
        _by_quantity(model, entering),
        _with_kinds(source[inner], model.kinds),
    )


def _by_quantity(model: Model, rows: sp.csr_array) -> sp.csr_array:
    """Repeat rows over streams (k, streams) for each quantity, (k · Q, n)."""
    kinds, lengths = model.kinds, np.diff(rows.indptr)
    row = np.repeat(np.arange(rows.shape[0]), lengths)
    quantity = np.arange(kinds)[:, None]
    where = (quantity + row * kinds).ravel(), (quantity + rows.indices * kinds).ravel()
    shape = (rows.shape[0] * kinds, model.size)
    return sp.csr_array((np.tile(rows.data, kinds), where), shape=shape)


def _with_kinds(position: Ints, kinds: int) -> Ints:
    """Spread positions of blocks over the quantities inside each block."""
    return (position[:, None] * kinds + np.arange(kinds)).ravel()


def quotients_of(of: Functionals) -> Quotients:
    """Give functionals as the compiled loops take them."""
    over, count = sp.coo_array(of.above), of.above.shape[0]
    row, column, numbers = over.row, over.col, over.data.astype(complex)
    if of.below is not None and of.partner is not None:
        under = sp.coo_array(of.below[of.partner])
        row, column = np.concatenate((row, under.row)), np.concatenate((column, under.col))
        # Numerator and divisor as the two parts of one number keep one pattern for both.
        numbers = np.concatenate((numbers, 1j * under.data))
    both = sp.csr_array((numbers, (row, column)), shape=of.above.shape)
    constant = np.full(count, 1.0 if of.below is None else 0.0)
    pattern = both.indptr.astype(np.int64), both.indices.astype(np.int64)
    return Quotients(*pattern, both.data.real.copy(), both.data.imag.copy(), constant)


def stacked(parts: Sequence[Quotients]) -> Quotients:
    """Give all rows of some quotients, in order."""
    begins = np.cumsum([0, *(len(part.column) for part in parts)])
    starts = [part.start[:-1] + at for part, at in zip(parts, begins, strict=False)]
    rest = (np.concatenate(same) for same in zip(*(part[1:] for part in parts), strict=True))
    return Quotients(np.concatenate((*starts, begins[-1:])).astype(np.int64), *rest)


def evaluate(at: Linearisation, rows: Functionals) -> Derived:
    """Give value, sd and class of each functional at the solution."""
    x, tiny = at.solution.x, at.solution.throughput
    above = np.asarray(rows.above @ x)
    if rows.below is None or rows.partner is None:
        variance = at.variance(rows.above)
        defined = np.ones(len(above), dtype=bool)
        return Derived(above, root(variance), at.observable(rows.above), defined)
    below = (rows.below @ x)[rows.partner]
    defined = below > np.finfo(float).eps * (rows.below @ tiny)[rows.partner]
    safe = np.where(defined, below, 1.0)
    value = above / safe
    if not at.is_small and rows.below.shape[0] * _SHARED <= len(above):
        parts = (rows.above, rows.below, rows.partner, value)
        known, variance = at.observable_ratios(*parts), at.ratio_variance(*parts) / safe**2
    else:
        spread = rows.above - scale_rows(sp.csr_array(rows.below[rows.partner]), value)
        gradient = scale_rows(sp.csr_array(spread), 1 / safe)
        known, variance = at.observable(gradient), at.variance(gradient)
    return Derived(value, root(variance), known, np.asarray(defined))


def of_ratios(at: Linearisation, ratios: Ratios) -> Derived:
    """Give value, sd and class of measured or other ratios at the solution."""
    value, gradient = at.of_ratios(ratios)
    defined = ~np.isnan(value)
    return Derived(
        np.where(defined, value, 0.0),
        root(at.variance(gradient)),
        at.observable(gradient),
        defined,
    )


def root(variance: Floats) -> Floats:
    """Give standard deviations; a variance below zero is rounding."""
    return np.sqrt(np.maximum(variance, 0.0))
