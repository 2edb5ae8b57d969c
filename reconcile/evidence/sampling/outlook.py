"""
How prospects and figures vary together, before and after further readings.

Everything happens in the space of prospects and figures alone.  One more reading is a step of
rank one (Sherman and Morrison 1950).  What cannot be known yet has a variance without limit beside
the finite one; a reading that sees some of it takes the step of the exact diffuse filter (Durbin
and Koopman 2012, 5.2, quoted from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats, Ints

OPEN_TOLERANCE = 1e-11
"""Share of an open variance that is rounding once the readings have closed it: the steps leave
about 1e-14, and a direction seen a hundred thousand times less than another keeps 1e-10."""


@dataclass(frozen=True)
class Outlook:
    """
    Covariances (q, q) of what the prospects read, each over its own sd, and of the figures behind.

    ``open`` is the part without limit, for each unit of it; ``least`` (q,) what of it is rounding.
    ``prospects`` are how many stand before the figures.
    """

    finite: Floats
    open: Floats
    least: Floats
    prospects: int

    @property
    def figures(self) -> Floats:
        """Finite variances of the figures, (figures,)."""
        return np.diag(self.finite)[self.prospects :]

    @property
    def open_figures(self) -> Floats:
        """Open variances of the figures, zero where they can be known: (figures,)."""
        return np.diag(self.open)[self.prospects :]

    @property
    def shared(self) -> Floats:
        """Covariances of prospects with figures, (prospects, figures)."""
        return self.finite[: self.prospects, self.prospects :]

    def scaled(self, factors: Floats) -> Outlook:
        """Give the same with everything multiplied by ``factors`` (q,)."""
        both = np.outer(factors, factors)
        return replace(
            self, finite=self.finite * both, open=self.open * both, least=self.least * factors**2
        )

    def of_figures(self, chosen: Ints) -> Outlook:
        """Give the same with some of the figures."""
        kept = np.concatenate((np.arange(self.prospects), self.prospects + chosen))
        among = np.ix_(kept, kept)
        return replace(
            self, finite=self.finite[among], open=self.open[among], least=self.least[kept]
        )

    def taking(self, i: int, weight: float = 1.0) -> Outlook:
        """Give the outlook once prospect ``i`` is read with ``weight`` of its information."""
        column, noise = self.finite[:, i], 1 / weight
        total = column[i] + noise
        if self.open[i, i] <= self.least[i]:
            return replace(self, finite=self.finite - np.outer(column, column / total))
        seen, size = self.open[:, i], self.open[i, i]
        crossed = np.outer(column, seen / size)
        finite = self.finite + np.outer(seen, seen * (total / size**2)) - crossed - crossed.T
        left = self.open - np.outer(seen, seen / size)
        closed = np.diag(left) <= self.least
        left[closed, :] = 0.0
        left[:, closed] = 0.0
        return replace(self, finite=finite, open=left)

    def taking_all(self, weights: Floats) -> Outlook:
        """
        Give the outlook once every prospect is read with its weight.

        Those that see something open come one by one, the heaviest first; then the rest at once.
        """
        result, left = self, weights > 0
        for i in np.argsort(-weights, kind="stable"):
            if left[i] and result.open[i, i] > result.least[i]:
                result, left[i] = result.taking(int(i), float(weights[i])), False
        rest = np.flatnonzero(left)
        if not len(rest):
            return result
        seen = result.finite[:, rest]
        total = seen[rest] + np.diag(1 / weights[rest])
        return replace(result, finite=result.finite - seen @ cho_solve(cho_factor(total), seen.T))

    def after_each(self) -> tuple[Floats, Floats]:
        """Give finite and open variances of the figures after each, (prospects, figures)."""
        each = np.arange(self.prospects)
        shared, total = self.shared, self.finite[each, each][:, None] + 1
        seen, size = self.open[: self.prospects, self.prospects :], self.open[each, each][:, None]
        opens = size > self.least[: self.prospects, None]
        safe = np.where(opens, size, 1.0)
        plain = self.figures - shared**2 / total
        wide = self.figures + seen**2 * total / safe**2 - 2 * shared * seen / safe
        left = self.open_figures - np.where(opens, seen**2 / safe, 0.0)
        left = np.where(left > self.least[self.prospects :], left, 0.0)
        return np.maximum(np.where(opens, wide, plain), 0.0), left


def outlook_of(finite: Floats, open_: Floats, prospects: int) -> Outlook:
    """Begin an outlook from the two matrices of ``Linearisation.joint_spread``."""
    return Outlook(finite, open_, OPEN_TOLERANCE * np.diag(open_), prospects)
