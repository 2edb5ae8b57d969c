"""The optimum of one set of values, and what is read off a point of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .kernel.limits import RUNAWAY

if TYPE_CHECKING:
    from .kernel.losses import Losses
    from .kernel.newton import Optimum
    from .kernel.problem import Bools, Floats, Ints
    from .plan import Plan


@dataclass(frozen=True)
class Solution:
    """
    The optimum of one set of values.

    ``x`` (n,) extensive quantities; ``scale`` (n,) their own sizes; ``closed`` (n,) those that are
    zero because their stream is; ``used`` (m,) the readings that kept a meaning and were not
    fixed; ``emptied`` (n,) divisors that the optimum, not a fixed value, brought to zero, and
    ``forgone`` what the readings that lost their meaning with them had cost; ``typical`` (n,) the
    throughput that the readings suggest; ``alternative`` another optimum met.
    """

    plan: Plan
    values: Floats
    sds: Floats
    losses: Losses
    x: Floats
    scale: Floats
    throughput: Floats
    typical: Floats
    closed: Bools
    used: Bools
    emptied: Bools
    optimum: Optimum
    forgone: float = 0.0
    alternative: Solution | None = None

    @property
    def own_values(self) -> Floats:
        """The readings' values, without what is known beforehand."""
        return self.values[: len(self.plan.keys)]

    @property
    def own_sds(self) -> Floats:
        """The readings' standard deviations."""
        return self.sds[: len(self.plan.keys)]

    @property
    def residuals(self) -> Floats:
        """Weighted residuals of the readings in use, zero for the others, (m,)."""
        return np.where(self.used, residuals(self.plan, self.values, self.sds, self.x), 0.0)

    @property
    def cost(self) -> float:
        """The objective to compare by: an emptied stream's readings count as they were left."""
        return self.optimum.objective + self.forgone

    @property
    def boundless(self) -> Ints:
        """Streams whose mass has left all scale, since no reading sets it an upper limit."""
        return np.flatnonzero(astray(self.plan, self.x, self.typical))


def astray(plan: Plan, x: Floats, typical: Floats) -> Bools:
    """Say of points (..., n) which streams' mass is beyond all scale, (..., streams)."""
    solids = plan.model.columns(0)
    return np.asarray(x[..., solids] > RUNAWAY * typical[solids])


def residuals(plan: Plan, values: Floats, sds: Floats, x: Floats) -> Floats:
    """Give every row's residual in its own sds, (m,); NaN or infinite where it has no meaning."""
    ratios = plan.ratios
    with np.errstate(divide="ignore", invalid="ignore"):
        value = ratios.numerators(x) / ratios.denominators(x) + ratios.offsets(x)
        return np.asarray((value - values) / sds)


def fixed_rows(plan: Plan, values: Floats, chosen: Bools) -> tuple[sp.csr_array, Floats]:
    """Give the fixed readings among ``chosen`` as linear rows ``(n - y d)·x = y c``."""
    ratios = plan.ratios.keep(chosen)
    y = values[chosen]
    rows = ratios.jacobian(np.zeros(ratios.columns), y, np.ones(len(y)))
    return rows, y * ratios.constant
