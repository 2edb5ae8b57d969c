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

from .kernel.active_set import Factor, Held
from .kernel.factory import pins_of, unit_factor, unit_rows
from .kernel.limits import LEVERAGE_TOLERANCE, PROBE_TOLERANCE

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Ints, Places

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
        return self._still(*self._seen(rows))

    def observable_ratios(
        self, above: sp.csr_array, below: sp.csr_array, partner: Ints, ratio: Floats
    ) -> Bools:
        """Say the same of ``above - ratio · below[partner]`` (k, n), without forming it."""
        if not self.pins.any():
            return np.ones(above.shape[0], dtype=bool)
        over, under = self._seen(above), self._seen(below)
        moved = over[0] - ratio[:, None] * under[0][partner]
        sizes = [a + np.abs(ratio)[:, None] * b[partner] for a, b in zip(over, under, strict=True)]
        return self._still(moved, sizes[1], sizes[2])

    def _seen(self, rows: sp.csr_array) -> tuple[Floats, Floats, Floats]:
        """What rows (k, n) see of each move, the size of its terms, and of the rows (k, 1)."""
        size = abs(rows)
        length = np.asarray(size.sum(axis=1), dtype=np.float64)[:, None]
        return np.asarray(rows @ self.moves), np.asarray(size @ np.abs(self.moves)), length

    def _still(self, moved: Floats, size: Floats, length: Floats) -> Bools:
        """Say which rows see nothing of the moves but rounding, (k,)."""
        seen = np.abs(moved) > PROBE_TOLERANCE * size
        real = size > PROBE_TOLERANCE * np.abs(self.moves).max() * length
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
    factor = _factor(balances, rows, pins, closed, places, budget)
    random = np.random.default_rng(20240229)
    moves = np.zeros((len(pins), PROBES))
    if pins.any():
        for k in range(PROBES):
            moves[:, k] = _moved(factor, balances, random.uniform(0.5, 1.5, len(pins)) * pins)
    leverage = factor.variance(rows)
    return Structure(pins, moves, leverage < 1 - LEVERAGE_TOLERANCE, closed)


def unexplained(
    balances: sp.csr_array, rows: sp.csr_array, structure: Structure, places: Places, budget: Budget
) -> Floats:
    """
    Give the part of each reading that the others do not explain, ``I - H``, (m, m).

    Without some of the readings all else stays as determined as it is exactly where the block of
    those readings is regular.
    """
    rows = unit_rows(rows)
    factor = _factor(balances, rows, structure.pins, structure.closed, places, budget)
    return np.asarray(np.eye(rows.shape[0]) - rows @ factor.spread(rows.toarray().T))


def null_space(
    balances: sp.csr_array, rows: sp.csr_array, structure: Structure, places: Places, budget: Budget
) -> Floats:
    """Give a basis of the moves that neither balances nor ``rows`` see: (n, pins)."""
    pins = np.flatnonzero(structure.pins)
    rows = unit_rows(rows)
    factor = _factor(balances, rows, structure.pins, structure.closed, places, budget)
    basis = np.zeros((len(structure.pins), len(pins)))
    for k, pin in enumerate(pins):
        budget.check()
        push = np.zeros(len(structure.pins))
        push[pin] = 1.0
        basis[:, k] = _moved(factor, balances, push)
    return basis


def _factor(
    balances: sp.csr_array,
    rows: sp.csr_array,
    pins: Bools,
    closed: Bools,
    places: Places,
    budget: Budget,
) -> Factor:
    nothing = np.zeros(len(pins), dtype=bool)
    held = Held(nothing, np.zeros(0, dtype=bool), pins, closed)
    return unit_factor(balances, rows, held, places, budget)


def _moved(factor: Factor, balances: sp.csr_array, push: Floats) -> Floats:
    return factor.solve(np.zeros(len(push)), np.zeros(balances.shape[0]), push).move
