"""
The reconciliation problem as bare arrays, written from its statement alone.

Unknown flows ``x[stream, quantity]`` (solids first); ``A x = 0`` for every quantity;
``0 <= x[s, c] <= x[s, 0]``; minimise the sum of squares of ``(h - y) / sd`` with ``h = x[s, 0]``
for a mass and ``h = x[s, c] / x[s, 0]`` for an assay.  Conservation is built in by writing each
quantity on an orthonormal basis of the null space of ``A``, scaled by its own size.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg as sl
from numpy.typing import NDArray

from reconcile import Flowsheet, Reading
from tests.flowsheets import flows_by_splits, random_shares

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Statement:
    """Incidence (nodes, streams) and the readings as index, value and sd arrays."""

    flowsheet: Flowsheet
    incidence: Array
    stream: NDArray[np.intp]
    quantity: NDArray[np.intp]
    value: Array
    sd: Array

    @property
    def streams(self) -> int:
        """How many streams there are."""
        return self.incidence.shape[1]

    @property
    def quantities(self) -> int:
        """How many quantities are conserved, the solids among them."""
        return len(self.flowsheet.components) + 1

    @cached_property
    def basis(self) -> Array:
        """An orthonormal basis (streams, degrees) of the flows that close at every node."""
        return sl.null_space(self.incidence)

    @cached_property
    def size(self) -> Array:
        """A typical flow of each quantity, guessed from the readings."""
        masses = np.abs(self.value[self.quantity == 0])
        mass = float(np.median(masses)) if masses.size else 1.0
        size = np.full(self.quantities, mass)
        for q in range(1, self.quantities):
            assays = np.abs(self.value[self.quantity == q])
            size[q] = mass * (np.median(assays) if assays.size else 0.1)
        return np.where(size > 0, size, 1.0)

    @cached_property
    def span(self) -> Array:
        """Derivative of all flows (streams x quantities, row by row) by the coordinates."""
        return np.kron(self.basis, np.diag(self.size))

    def flows(self, z: Array) -> Array:
        """Give ``x[stream, quantity]`` at the coordinates ``z``."""
        return (self.span @ z).reshape(self.streams, self.quantities)

    def coordinates(self, x: Array) -> Array:
        """Give the coordinates of flows that close."""
        return (self.basis.T @ (x / self.size)).ravel()

    def predictions(self, x: Array) -> Array:
        """Give ``h`` of every reading."""
        return x[self.stream, self.quantity] / self._divisors(x)

    def _divisors(self, x: Array) -> Array:
        """One for a mass, the solids of the stream for an assay."""
        return np.where(self.quantity == 0, 1.0, x[self.stream, 0])

    def slopes(self, x: Array) -> Array:
        """Give the derivative of ``h`` by the coordinates, one row a reading."""
        span = self.span.reshape(self.streams, self.quantities, -1)
        solids, top = span[self.stream, 0], span[self.stream, self.quantity]
        ratio = np.where(self.quantity == 0, 0.0, self.predictions(x))[:, None]
        return (top - ratio * solids) / self._divisors(x)[:, None]

    def residuals(self, z: Array) -> Array:
        """Give ``(h - y) / sd`` at the coordinates."""
        return (self.predictions(self.flows(z)) - self.value) / self.sd

    def jacobian(self, z: Array) -> Array:
        """Give the derivative of the residuals."""
        return self.slopes(self.flows(z)) / self.sd[:, None]

    def objective(self, z: Array) -> float:
        """Give the sum of squares."""
        return float(np.sum(self.residuals(z) ** 2))

    @cached_property
    def bounds(self) -> Array:
        """
        Rows ``G`` with ``G z >= 0``: solids, components, and solids less component.

        Scaled by the size of the quantity concerned.
        """
        span = self.span.reshape(self.streams, self.quantities, -1)
        solids, parts = span[:, :1], span[:, 1:]
        size = self.size[1:, None]
        rows = (solids / self.size[0], parts / size, (solids - parts) / self.size[0])
        return np.concatenate([r.reshape(-1, span.shape[-1]) for r in rows])

    def start(self, rng: np.random.Generator) -> Array:
        """Draw the coordinates of a strictly positive state that closes."""
        feed = self.size[0] * rng.uniform(0.5, 2.0, self.streams)
        flows = [
            flows_by_splits(
                self.flowsheet,
                random_shares(self.flowsheet, rng, 3.0),
                feed * min(self.size[q] / self.size[0], 0.8 / self.quantities),
            )
            for q in range(1, self.quantities)
        ]
        gangue = flows_by_splits(
            self.flowsheet, random_shares(self.flowsheet, rng, 3.0), 0.5 * feed
        )
        return self.coordinates(np.column_stack([gangue + np.sum(flows, axis=0), *flows]))


def stated(flowsheet: Flowsheet, readings: tuple[Reading, ...] | list[Reading]) -> Statement:
    """Write a flowsheet and its readings as arrays; an infinite sd is no reading."""
    node, stream = flowsheet.node_index, flowsheet.stream_index
    quantity = flowsheet.quantity_index
    incidence = np.zeros((len(flowsheet.nodes), len(flowsheet.streams)))
    for j, s in enumerate(flowsheet.streams):
        if s.source is not None:
            incidence[node[s.source], j] -= 1
        if s.target is not None:
            incidence[node[s.target], j] += 1
    counted = [r for r in readings if np.isfinite(r.sd)]
    return Statement(
        flowsheet,
        incidence,
        np.array([stream[r.stream] for r in counted], dtype=np.intp),
        np.array([quantity[r.of] for r in counted], dtype=np.intp),
        np.array([r.value for r in counted], dtype=float),
        np.array([r.sd for r in counted], dtype=float),
    )
