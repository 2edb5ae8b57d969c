"""Readings as rows: each a ratio of sums over the columns of the model, with what shifts it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from .flowsheet import Flowsheet, Order
from .kernel.problem import Products, Ratios, no_products
from .kernel.ratio_rows import Shapes, laid_out
from .measurands import Measurand
from .model import Key, Model

if TYPE_CHECKING:
    from .flowsheet import Quantity
    from .kernel.problem import Ints
    from .measurands import Terms


@dataclass
class _Row:
    """One reading's coefficients by column."""

    above: dict[int, float] = field(default_factory=dict)
    below: dict[int, float] = field(default_factory=dict)
    beside: dict[int, float] = field(default_factory=dict)
    products: list[tuple[int, int, float]] = field(default_factory=list)
    constant: float = 0.0

    @property
    def columns(self) -> list[int]:
        """Columns involved, in order."""
        both = (c for left, right, _ in self.products for c in (left, right))
        return sorted({*self.above, *self.below, *self.beside, *both})


def _add(model: Model, stream: int, of: Measurand, row: _Row) -> None:
    """Add a measurand's coefficients in one stream to a row."""
    sheet, start = model.flowsheet, stream * model.kinds
    for terms, into in ((of.above, row.above), (of.below, row.below)):
        for quantity, factor in terms:
            column = start + sheet.quantity_index[quantity]
            into[column] = into.get(column, 0.0) + factor
    for quantity, mineral, analyte in of.carried:
        column = start + sheet.quantity_index[quantity]
        content = sheet.contents[mineral][analyte]
        if content.sd > 0:
            unknown = model.common_column[mineral, analyte]
            row.products.append((unknown, column, 1.0))
        else:
            row.above[column] = row.above.get(column, 0.0) + content.value


def _row(model: Model, key: Key) -> _Row:
    row = _Row(constant=0.0 if key.of.below else 1.0)
    for name in key.streams:
        _add(model, model.flowsheet.stream_index[name], key.of, row)
    if key.of.level is not None:
        row.beside[model.level_column[key.of.level]] = -1.0
    for name, size in key.causes:
        column = model.common_column[name,]
        row.beside[column] = row.beside.get(column, 0.0) + size
    return row


def _order(model: Model, order: Order) -> _Row:
    """``richer.c · than.solids - than.c · richer.solids``, of a size with the solids squared."""
    sheet = model.flowsheet
    part = sheet.quantity_index[order.component]
    rich, poor = (sheet.stream_index[name] * model.kinds for name in (order.richer, order.than))
    products = [(rich + part, poor, 1.0), (poor + part, rich, -1.0)]
    return _Row(products=products, constant=1.0)


def _shapes(model: Model, of: Sequence[Measurand]) -> tuple[list[bool], Shapes]:
    """
    Give the coefficients of measurands in any one stream, and which of them have such.

    Those have not where other unknowns than the stream's play in.
    """
    at, start, usual = model.flowsheet.quantity_index, [0], []
    terms: list[tuple[int, float, float]] = []
    for one in of:
        usual.append(one.level is None and not one.carried)
        if usual[-1]:
            over, under = _sums(at, one.above), _sums(at, one.below)
            terms += [(q, over.get(q, 0.0), under.get(q, 0.0)) for q in sorted({*over, *under})]
        start.append(len(terms))
    offset, above, below = np.array(terms).reshape(-1, 3).T.copy()
    constant = np.array([0.0 if one.below else 1.0 for one in of])
    return usual, Shapes(np.array(start), offset.astype(np.int64), above, below, constant)


def _sums(at: Mapping[Quantity, int], terms: Terms) -> dict[int, float]:
    """Give the coefficient of each quantity of a stream, by position."""
    result: dict[int, float] = {}
    for quantity, factor in terms:
        result[at[quantity]] = result.get(at[quantity], 0.0) + factor
    return result


@dataclass(frozen=True)
class Placed:
    """
    Where keys stand, each (keys,): their ``stream``, -1 for several, and their measurand.

    ``of`` are the measurands met, to which ``kind`` points; ``several`` are the keys of several
    streams or none, and ``shared`` those with causes.
    """

    stream: Ints
    kind: Ints
    of: tuple[Measurand, ...]
    several: tuple[int, ...]
    shared: tuple[int, ...]


def placed(flowsheet: Flowsheet, keys: Sequence[Key]) -> Placed:
    """Find the stream and the measurand of each key."""
    at = flowsheet.stream_index
    streams, measurands, causes = zip(*keys, strict=True) if keys else ((), (), ())
    stream = [at[names[0]] if len(names) == 1 else -1 for names in streams]
    several = tuple(i for i, s in enumerate(stream) if s < 0) if -1 in stream else ()
    # By identity: comparing takes longer than all else, and a few met twice cost little.
    identity = list(map(id, measurands))
    met = dict(zip(identity, measurands, strict=True))
    number = dict(zip(met, range(len(met)), strict=True))
    kind = np.fromiter(map(number.__getitem__, identity), np.int64, len(keys))
    shared = tuple(i for i, some in enumerate(causes) if some) if any(causes) else ()
    return Placed(np.array(stream, dtype=np.int64), kind, tuple(met.values()), several, shared)


def _packed(model: Model, keys: Sequence[Key], at: Placed, further: Sequence[_Row] = ()) -> Ratios:
    """Pack keys, those of one stream alone by the shape of their measurand, and further rows."""
    usual, shapes = _shapes(model, at.of)
    shape, first = at.kind, at.stream * model.kinds
    rows: dict[int, _Row] = {}
    length = np.zeros(len(keys) + len(further), dtype=np.int64)
    if further or at.shared or at.several or not all(usual):
        shape = np.where(np.array(usual, dtype=bool)[shape] & (at.stream >= 0), shape, -1)
        shape[list(at.shared)] = -1
        rows = {i: _row(model, keys[i]) for i in np.flatnonzero(shape < 0).tolist()}
        rows |= {len(keys) + i: row for i, row in enumerate(further)}
        shape = np.concatenate((shape, np.full(len(further), -1)))
        first = np.concatenate((first, np.zeros(len(further), dtype=np.int64)))
    for i, row in rows.items():
        length[i] = len(row.columns)
    indptr, indices, above, below, beside, constant = laid_out(shapes, shape, first, length)
    for i, row in rows.items():
        own, columns = slice(indptr[i], indptr[i + 1]), row.columns
        indices[own], constant[i] = columns, row.constant
        for data, of in ((above, row.above), (below, row.below), (beside, row.beside)):
            data[own] = [of.get(c, 0.0) for c in columns]
    products = _products(rows, indptr) if rows else no_products()
    return Ratios(model.size, indptr, indices, above, below, constant, beside, products)


def _products(rows: Mapping[int, _Row], indptr: Ints) -> Products:
    terms = [
        (i, left, right, indptr[i] + columns.index(left), indptr[i] + columns.index(right), factor)
        for i, row in rows.items()
        if row.products
        for columns in [row.columns]
        for left, right, factor in row.products
    ]
    row, left, right, at_left, at_right = (
        np.array([t[:5] for t in terms], dtype=np.int64).reshape(-1, 5).T
    )
    factor = np.array([t[5] for t in terms], dtype=np.float64)
    return Products(row, left, right, at_left, at_right, factor)


def readings_as_ratios(model: Model, keys: Sequence[Key], at: Placed) -> Ratios:
    """Give the readings in order, then what is known of the common unknowns, then the orders."""
    rows = [_Row({model.amounts + i: 1.0}, constant=1.0) for i in range(len(model.common))]
    rows += [_order(model, order) for order in model.flowsheet.orders]
    return _packed(model, keys, at, rows)


def measurands_as_ratios(
    model: Model, wanted: Sequence[tuple[tuple[str, ...], Measurand]]
) -> Ratios:
    """Give measurands of streams, free of shared errors and levels, read or not."""
    keys = [
        Key(streams, of if of.level is None else replace(of, level=None)) for streams, of in wanted
    ]
    return _packed(model, keys, placed(model.flowsheet, keys))


def ratios_to_feed(model: Model, streams: Sequence[str], component: str) -> Ratios:
    """Give the recovery of a component to each stream, of the feed to its part."""
    part, kinds = model.part_of, model.kinds
    quantity = model.flowsheet.quantity_index[component]
    feeds = np.flatnonzero(model.ends[0] < 0)
    chosen = np.array([model.flowsheet.stream_index[name] for name in streams], dtype=np.int64)
    of_part = {p: feeds[part[feeds] == p] for p in np.unique(part[chosen])}
    below = [of_part[p] for p in part[chosen]]
    place = np.array([np.searchsorted(fed, s) for fed, s in zip(below, chosen, strict=True)])
    fed = np.isin(chosen, feeds)
    every = [
        own if there else np.insert(own, at, s)
        for own, there, at, s in zip(below, fed, place, chosen, strict=True)
    ]
    start = np.cumsum([0, *map(len, every)])
    column = np.concatenate((np.zeros(0, dtype=np.int64), *every)) * kinds + quantity
    above, under = np.zeros(len(column)), np.ones(len(column))
    own = start[:-1] + place.astype(np.int64)
    above[own], under[own[~fed]] = 1.0, 0.0
    rest = np.zeros(len(chosen)), np.zeros(len(column)), no_products()
    return Ratios(model.size, start, column, above, under, *rest)
