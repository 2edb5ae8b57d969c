"""
The whole problem of everything a circuit contains, written from its statement alone.

Unknowns are the amounts of every quantity that a stream can hold, the contents of minerals that are
not exactly known, and the shared causes.  Exact are conservation at every node that does not alter
the quantity, sums of size classes, wholes, and readings with an sd of zero; amounts are at least
zero and parts at most their wholes, except in unaccounted differences.  A relation of grades is a
real constraint, ``C_richer S_than >= C_than S_richer``.  What is minimised is

    sum over readings of 2 rho((h - value) / sd)  +  sum ((content - known) / sd)²  +  sum cause²

with ``h`` a ratio of sums plus ``size · cause``, and ``2 rho`` the square, Huber's loss, Tukey's
bisquare, or ``-2 log Phi`` for a limit.  Only names and the vocabulary of readings are shared with
the engine.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import scipy.linalg as sl
from numpy.typing import NDArray
from scipy.special import log_ndtr

from reconcile import (
    SOLIDS,
    Flowsheet,
    Limit,
    Measurand,
    Part,
    Reading,
    Robust,
)
from reconcile.flowsheet import Quantity
from reconcile.measurands import measurand

Array = NDArray[np.float64]
Key = tuple[str, Quantity]

HUBER, BISQUARE = 1.345, 4.685
"""Limits of the robust losses, in sds (Huber 1964; Beaton and Tukey 1974)."""

LARGEST = 1e5
"""Upper bound of every amount, in its own size: an optimum there is none."""

ROUNDING = 1e-9
"""Breach of a constraint, relative, that is rounding."""

SMALLEST = 1e-10
"""Lower bound of solids, in their own size, so that assays have a meaning."""


@dataclass(frozen=True)
class Linear:
    """Rows over the unknowns with what they equal, or are at least."""

    rows: Array
    right: Array


@dataclass(frozen=True)
class Whole:
    """
    The whole problem of one flowsheet with readings.

    ``typical`` gives the size of an amount, by which it is scaled; ``empty`` are amounts that are
    taken to be zero.
    """

    flowsheet: Flowsheet
    readings: tuple[Reading, ...]
    robust: Robust
    typical: Mapping[Key, float]
    empty: frozenset[Key] = frozenset()

    @cached_property
    def amount(self) -> dict[tuple[str, Quantity], int]:
        """Position of each amount that a stream can hold."""
        sheet = self.flowsheet
        held = [(s.name, q) for s in sheet.streams for q in sheet.quantities if sheet.holds(s, q)]
        return {key: i for i, key in enumerate(k for k in held if k not in self.empty)}

    @cached_property
    def size(self) -> Array:
        """The size of each unknown, one for causes."""
        size = np.ones(self.unknowns)
        for key, i in self.amount.items():
            size[i] = self.typical[key]
        for (mineral, analyte), i in self.content.items():
            known = self.flowsheet.contents[mineral][analyte]
            size[i] = max(abs(known.value), known.sd)
        return size

    @cached_property
    def content(self) -> dict[tuple[str, str], int]:
        """Position of each content that is not exactly known."""
        uncertain = [
            (mineral, analyte)
            for mineral, contents in self.flowsheet.contents.items()
            for analyte, content in contents.items()
            if content.sd > 0
        ]
        return {key: len(self.amount) + i for i, key in enumerate(uncertain)}

    @cached_property
    def cause(self) -> dict[str, int]:
        """Position of each shared cause."""
        names = dict.fromkeys(name for r in self.readings for name, _ in r.causes)
        behind = len(self.amount) + len(self.content)
        return {name: behind + i for i, name in enumerate(names)}

    @cached_property
    def throughput(self) -> Array:
        """The size of each unknown's quantity in its largest stream."""
        largest: dict[Quantity, float] = {}
        for (_, quantity), size in self.typical.items():
            largest[quantity] = max(largest.get(quantity, 0.0), size)
        result = self.size.copy()
        for (_, quantity), i in self.amount.items():
            result[i] = largest[quantity]
        return result

    @property
    def unknowns(self) -> int:
        """How many unknowns there are."""
        return len(self.amount) + len(self.content) + len(self.cause)

    # --- what is exact -------------------------------------------------------------------------

    def _row(self, terms: Iterable[tuple[str, Quantity, float]]) -> Array:
        row = np.zeros(self.unknowns)
        for stream, quantity, factor in terms:
            if (stream, quantity) in self.amount:
                row[self.amount[stream, quantity]] += factor
        return row

    def _conservation(self) -> list[Array]:
        sheet, rows = self.flowsheet, []
        for node in sheet.nodes:
            ends = [(s.name, 1.0) for s in sheet.streams if s.target == node]
            ends += [(s.name, -1.0) for s in sheet.streams if s.source == node]
            altered = sheet.alters.get(node, frozenset())
            for q in sheet.quantities:
                of = q.of if isinstance(q, Part) else q
                if of not in altered and not (isinstance(q, Part) and "sizes" in altered):
                    rows.append(self._row((s, q, sign) for s, sign in ends))
        return rows

    def _sums(self) -> list[Array]:
        sheet = self.flowsheet
        everywhere = [s.name for s in sheet.streams]
        sums: list[tuple[str, tuple[Quantity, ...], Sequence[str]]] = [
            (of, tuple(Part(of, c) for c in sheet.classes), everywhere)
            for of in ((SOLIDS, *sheet.sized) if sheet.classes else ())
        ]
        sums += [(SOLIDS, w.components, w.streams or everywhere) for w in sheet.wholes]
        return [
            self._row([(s, of, 1.0), *((s, part, -1.0) for part in parts)])
            for of, parts, streams in sums
            for s in streams
        ]

    @cached_property
    def equalities(self) -> Linear:
        """Everything exact: conservation, sums, fixed readings; dependent rows left out."""
        rows = [*self._conservation(), *self._sums()]
        right = [0.0] * len(rows)
        for reading in self.readings:
            if reading.sd == 0:
                of = measurand(self.flowsheet, reading.of)
                terms = [(s, q, f) for s in reading.streams for q, f in of.above]
                terms += [(s, q, -f * reading.value) for s in reading.streams for q, f in of.below]
                rows.append(self._row(terms))
                right.append(0.0 if of.below else reading.value)
        scaled = np.array(rows) * self.size
        length = np.max(np.abs(scaled), axis=1, initial=0.0)
        kept = np.flatnonzero(length > 0)
        scaled = scaled[kept] / length[kept, None]
        values = np.array(right)[kept] / length[kept]
        _, triangle, order = sl.qr(scaled.T, mode="economic", pivoting=True)
        pivots = np.abs(np.diag(triangle))
        chosen = np.sort(order[: int(np.sum(pivots > 1e-10 * pivots[0]))])
        return Linear(scaled[chosen], values[chosen])

    def mended(self, z: Array) -> Array:
        """Give the nearest scaled unknowns, relative to each, that meet everything exact."""
        equal = self.equalities
        moved, *_ = np.linalg.lstsq(equal.rows * z, equal.right - equal.rows @ z, rcond=1e-12)
        return z * (1 + moved)

    @cached_property
    def nests(self) -> Array:
        """Rows whole - part, at least zero, in scaled unknowns."""
        sheet = self.flowsheet
        pairs: list[tuple[Quantity, Quantity]] = [(c, SOLIDS) for c in sheet.components]
        for size in sheet.classes:
            pairs += [(Part(c, size), Part(SOLIDS, size)) for c in sheet.sized]
        rows = [
            self._row([(s.name, whole, 1.0), (s.name, part, -1.0)])
            for s in sheet.streams
            if not s.signed
            for part, whole in pairs
            if (s.name, part) in self.amount
        ]
        scaled = np.array(rows).reshape(-1, self.unknowns) * self.size
        return scaled / np.max(np.abs(scaled), axis=1, keepdims=True, initial=1e-300)

    @cached_property
    def limits(self) -> tuple[Array, Array]:
        """Lower and upper bounds of the scaled unknowns."""
        lower, upper = np.full(self.unknowns, -np.inf), np.full(self.unknowns, np.inf)
        signed = {s.name for s in self.flowsheet.streams if s.signed}
        for (stream, quantity), i in self.amount.items():
            upper[i] = LARGEST
            lower[i] = -LARGEST if stream in signed else 0.0
            of = quantity.of if isinstance(quantity, Part) else quantity
            if of == SOLIDS and stream not in signed:
                lower[i] = SMALLEST
        return lower, upper

    # --- what is read --------------------------------------------------------------------------

    def sum_of(self, x: Any, reading_streams: Sequence[str], terms: Any) -> Any:
        """Give the sum of amounts at ``x``, which may be numbers or symbols."""
        total = 0.0
        for s in reading_streams:
            for quantity, factor in terms:
                if (s, quantity) in self.amount:
                    total = total + factor * x[self.amount[s, quantity]]
        return total

    def measured(self, x: Any, streams: Sequence[str], of: Measurand) -> Any:
        """Give the ratio that is read, free of shared errors."""
        above = self.sum_of(x, streams, of.above)
        for quantity, mineral, analyte in of.carried:
            known = self.flowsheet.contents[mineral][analyte]
            at = self.content.get((mineral, analyte))
            content = known.value if at is None else x[at]
            above = above + content * self.sum_of(x, streams, ((quantity, 1.0),))
        return above / self.sum_of(x, streams, of.below) if of.below else above

    def residual(self, x: Any, reading: Reading) -> Any:
        """Give ``(h - value) / sd`` of a reading, shared errors in ``h``."""
        h = self.measured(x, reading.streams, measurand(self.flowsheet, reading.of))
        for name, size in reading.causes:
            h = h + size * x[self.cause[name]]
        return (h - reading.value) / reading.sd

    def priors(self, x: Any) -> list[Any]:
        """Give the residuals of what is known beforehand."""
        found = []
        for (mineral, analyte), i in self.content.items():
            known = self.flowsheet.contents[mineral][analyte]
            found.append((x[i] - known.value) / known.sd)
        return found + [x[i] for i in self.cause.values()]

    @property
    def counted(self) -> tuple[Reading, ...]:
        """The readings that cost something."""
        return tuple(r for r in self.readings if 0 < r.sd < math.inf)

    def objective(self, x: Array) -> float:
        """Give the objective at unknowns that are numbers."""
        costs = [
            cost(float(self.residual(x, reading)), reading.limit, self.robust)
            for reading in self.counted
        ]
        return math.fsum(costs) + math.fsum(float(e) ** 2 for e in self.priors(x))


def cost(e: float, limit: Limit | None, robust: Robust) -> float:
    """Give ``2 rho`` of one residual."""
    if limit is not None:
        return -2.0 * float(log_ndtr(-e if limit is Limit.BELOW else e))
    if robust is Robust.HUBER and abs(e) > HUBER:
        return 2 * HUBER * abs(e) - HUBER**2
    if robust is Robust.BISQUARE:
        return BISQUARE**2 / 3 * (1 - max(1 - (e / BISQUARE) ** 2, 0.0) ** 3)
    return e**2
