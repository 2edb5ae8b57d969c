"""
One shift: from the optimum to the coordinates of its residuals.

What is known exactly confines the unknowns to a null space Z; the derivative of the rows along it,
``J Z``, spans what the balance can follow, and the orthogonal rest of the row space is what it
cannot: the columns of Q.  Projecting the residuals at the optimum onto Q also takes out what a
bound or a limit has pushed into them, since that lies in the span of ``J Z``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.linalg import qr

from reconcile.kernel.dense import DenseBasis, rank_of
from reconcile.kernel.losses import Loss
from reconcile.kernel.rows import largest_in_rows, reciprocal, scale_columns, scale_rows
from reconcile.solution import fixed_rows

if TYPE_CHECKING:
    from reconcile.plan import Plan

    from .residuals import Bools, Floats

SMALLEST_SIZE = 1e-6
"""Amounts below this share of the largest of their quantity are scaled as if they had this size."""


@dataclass(frozen=True)
class Rest:
    """
    What one balance leaves over.

    ``w`` (degrees,); ``rows`` (readings, degrees), in the order of the plan's keys and zero for
    those that are fixed, limits, or without a meaning.
    """

    w: Floats
    rows: Floats


class Remainders:
    """Works out what is left over, for shifts that share a plan; null spaces are kept."""

    def __init__(self, plan: Plan, typical: Floats) -> None:
        """Take the plan and the typical size of each unknown (n,), by which they are scaled."""
        self._plan = plan
        self._scale = self._sizes(typical)
        self._bases: dict[bytes, DenseBasis] = {}

    def _sizes(self, typical: Floats) -> Floats:
        model = self._plan.model
        amounts = np.abs(model.by_stream(typical))
        floor = SMALLEST_SIZE * amounts.max(axis=0, initial=0.0)
        every = np.array([common.typical for common in model.common])
        levels = np.abs(typical[model.first_level :])
        sizes = np.concatenate((np.maximum(amounts, floor).ravel(), every, levels))
        return np.where(sizes > 0, sizes, 1.0)

    def _basis(self, values: Floats, kept: Bools, closed: Bools) -> DenseBasis:
        plan = self._plan
        fixed = kept & plan.fixed
        name = closed.tobytes() + values[fixed].tobytes()
        found = self._bases.get(name)
        if found is None:
            rows, _ = fixed_rows(plan, values, fixed)
            exact = scale_columns(sp.csr_array(sp.vstack((plan.model.exact, rows))), self._scale)
            pins = plan.structure_with(closed).pins
            even = scale_rows(exact, reciprocal(largest_in_rows(exact)))
            found = DenseBasis(even, ~(closed | pins))
            self._bases[name] = found
        return found

    def of(self, values: Floats, sds: Floats, x: Floats, closed: Bools) -> Rest:
        """
        Give what is left over at the point ``x`` (n,) of a shift with ``values`` and ``sds``.

        Both (keys,) as read; ``closed`` (n,) unknowns that are zero.
        """
        plan = self._plan
        keys, common = len(plan.keys), plan.model.common
        orders = len(plan.fixed) - keys - len(common)
        every = np.concatenate((values, [c.value for c in common], np.zeros(orders)))
        spread = np.concatenate((sds, [c.sd for c in common], np.ones(orders)))
        kept = plan.meaningful(closed)
        used = kept & ~plan.fixed & (plan.losses.kind == Loss.SQUARE)
        basis = self._basis(every, kept, closed)
        ratios = plan.ratios.keep(used)
        below = ratios.denominators(x)
        ratio = ratios.numerators(x) / below
        high = (every[used] - ratio - ratios.offsets(x)) / spread[used]
        slope = scale_columns(ratios.derivative(x, ratio, below, 1 / spread[used]), self._scale)
        seen = np.asarray(slope[:, basis.free] @ basis.null)
        rest = _rest_of(seen)
        rows = np.zeros((len(plan.fixed), rest.shape[1]))
        rows[used] = rest
        return Rest(rest.T @ high, rows[:keys])


def _rest_of(seen: Floats) -> Floats:
    """Give an orthonormal basis (m, degrees) of what is orthogonal to the columns of (m, p)."""
    if not seen.shape[1] or not seen.shape[0]:
        return np.eye(seen.shape[0])
    q, triangle, _ = qr(seen, pivoting=True)
    return np.asarray(q, dtype=np.float64)[:, rank_of(np.asarray(triangle, dtype=np.float64)) :]
