"""
What can be known: redundancy and observability by rank, and by asking what may still move.

With ``K`` the balances and the derivative of the readings stacked, a functional ``g·x`` is
observable if ``g`` vanishes on the null space of ``K`` and a reading is redundant if the others
determine it (Crowe 1989; Narasimhan and Jordache 2000, chapter 3).  A minimal set of *pins*
(unknowns that, once held, leave no null space) replaces the null space: moving the pins at random
moves exactly the unobservable functionals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .kernel.active_set import Held
from .kernel.factory import pins_of, unit_factor, unit_rows
from .kernel.limits import LEVERAGE_TOLERANCE, PROBE_TOLERANCE

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Places

PROBES = 3
"""Random null-space moves tried; one suffices with probability one, three leave no doubt about
rounding."""


@dataclass(frozen=True)
class Structure:
    """
    What balances and readings determine at a point.

    ``pins`` (n,); ``moves`` (n, probes) random moves that no reading or balance sees;
    ``redundant`` (m,) for each reading; ``closed`` (n,) unknowns that are zero for good.
    """

    pins: Bools
    moves: Floats
    redundant: Bools
    closed: Bools

    def observable(self, rows: sp.csr_array) -> Bools:
        """Say of each functional in ``rows`` (k, n) whether the balance determines it."""
        if not self.pins.any():
            return np.ones(rows.shape[0], dtype=bool)
        moved = np.abs(rows @ self.moves)
        size = abs(rows) @ np.abs(self.moves)
        largest = np.abs(self.moves).max()
        seen = moved > PROBE_TOLERANCE * size
        real = size > PROBE_TOLERANCE * largest * np.asarray(abs(rows).sum(axis=1))[:, None]
        return np.asarray(~np.any(seen & real, axis=1))


def structure_of(
    balances: sp.csr_array, rows: sp.csr_array, closed: Bools, places: Places, budget: Budget
) -> Structure:
    """
    Classify at one point.

    ``balances`` (e, n) hold exactly; ``rows`` (m, n) are the readings' derivatives, in columns of
    comparable size; ``places`` say where they stand.
    """
    rows = unit_rows(rows)
    pins = pins_of(balances, rows, closed, places, budget)
    nothing = np.zeros(len(pins), dtype=bool)
    held = Held(nothing, np.zeros(0, dtype=bool), pins, closed)
    factor = unit_factor(balances, rows, held, places, budget)
    random = np.random.default_rng(20240229)
    moves = np.zeros((len(pins), PROBES))
    if pins.any():
        for k in range(PROBES):
            push = np.where(pins, random.uniform(0.5, 1.5, len(pins)), 0.0)
            moves[:, k] = factor.solve(np.zeros(len(pins)), np.zeros(balances.shape[0]), push).move
    leverage = factor.variance(rows)
    return Structure(pins, moves, leverage < 1 - LEVERAGE_TOLERANCE, closed)
