"""Readings as rows: each a ratio of sums over the columns of the model, with what shifts it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .flowsheet import SOLIDS, Order
from .kernel.problem import Products, Ratios
from .measurands import Measurand

if TYPE_CHECKING:
    from .model import Key, Model

_PLAIN = ((SOLIDS, 1.0),)


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


def _measured(model: Model, streams: Iterable[str], of: Measurand) -> _Row:
    sheet, row = model.flowsheet, _Row()
    for name in streams:
        start = sheet.stream_index[name] * model.kinds
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
    row.constant = 0.0 if of.below else 1.0
    return row


def _row(model: Model, key: Key) -> _Row:
    row = _measured(model, key.streams, key.of)
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


def _packed(model: Model, rows: Sequence[_Row]) -> Ratios:
    columns = [row.columns for row in rows]
    lengths = np.array([len(c) for c in columns], dtype=np.int64)
    indptr = np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)
    indices = np.array([c for row in columns for c in row], dtype=np.int64)

    def spread(member: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        found = [
            getattr(r, member).get(c, 0.0) for r, cs in zip(rows, columns, strict=True) for c in cs
        ]
        return np.array(found, dtype=np.float64)

    terms = [
        (i, left, right, indptr[i] + cs.index(left), indptr[i] + cs.index(right), factor)
        for i, (row, cs) in enumerate(zip(rows, columns, strict=True))
        for left, right, factor in row.products
    ]
    row, left, right, at_left, at_right = (
        np.array([t[:5] for t in terms], dtype=np.int64).reshape(-1, 5).T
    )
    factor = np.array([t[5] for t in terms], dtype=np.float64)
    products = Products(row, left, right, at_left, at_right, factor)
    constant = np.array([row.constant for row in rows], dtype=np.float64)
    return Ratios(
        model.size,
        indptr,
        indices,
        spread("above"),
        spread("below"),
        constant,
        spread("beside"),
        products,
    )


def readings_as_ratios(model: Model, keys: Sequence[Key]) -> Ratios:
    """Give the readings in order, then what is known of the common unknowns, then the orders."""
    rows = [_row(model, key) for key in keys]
    rows += [_Row({model.amounts + i: 1.0}, constant=1.0) for i in range(len(model.common))]
    rows += [_order(model, order) for order in model.flowsheet.orders]
    return _packed(model, rows)


def measurands_as_ratios(
    model: Model, wanted: Sequence[tuple[tuple[str, ...], Measurand]]
) -> Ratios:
    """Give measurands of streams, free of shared errors, whether or not they were read."""
    return _packed(model, [_measured(model, streams, of) for streams, of in wanted])


def ratios_to_feed(model: Model, streams: Sequence[str], component: str) -> Ratios:
    """Give the recovery of a component to each stream, of the feed to its part."""
    sheet = model.flowsheet
    part, quantity = model.part_of, sheet.quantity_index[component]
    source, _ = model.ends
    feeds = np.flatnonzero(source < 0)
    rows = []
    for name in streams:
        stream = sheet.stream_index[name]
        below = {model.column(int(f), quantity): 1.0 for f in feeds if part[f] == part[stream]}
        rows.append(_Row({model.column(stream, quantity): 1.0}, below))
    return _packed(model, rows)
