"""
What can be known: redundancy and observability by rank, and by asking what may still move.

With ``K`` the balances and the derivative of the readings stacked, a functional ``g·x`` is
observable if ``g`` vanishes on the null space of ``K`` and a reading is redundant if the others
determine it (Crowe 1989; Narasimhan and Jordache 2000, chapter 3).  A minimal set of *pins*
(unknowns that, once held, leave no null space) replaces the null space: moving the pins at random
moves exactly the unobservable functionals.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .kernel.active_set import Factor, Held
from .kernel.factory import is_small, pins_of, unit_factor, unit_rows
from .kernel.generic import numbers
from .kernel.lazy import lazy
from .kernel.limits import LEVERAGE_TOLERANCE, PROBE_TOLERANCE
from .kernel.pins import open_in
from .kernel.sparse import SparseBasis

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .kernel.budget import Budget
    from .kernel.exact import Rows
    from .kernel.problem import Bools, Floats, Ints, Places
    from .kernel.skeleton import Skeleton

PROBES = 3
"""Random null-space moves tried; one suffices with probability one, three leave no doubt about
rounding."""

_PUSHES_SEED = 20240229


@dataclass(frozen=True)
class Structure:
    """
    What balances and readings determine at a point.

    ``balances`` (e, n) hold exactly; ``rows`` (m, n) are the readings' derivatives at unit length;
    ``pins`` (n,) are held, the ``closed`` unknowns (n,) zero for good; ``make`` makes the factor;
    ``open`` are the random moves of :attr:`moves`, where they are known already.
    """

    balances: sp.csr_array
    rows: sp.csr_array
    pins: Bools
    closed: Bools
    make: Callable[[], Factor]
    open: Floats | None = None

    @lazy
    def factor(self) -> Factor:
        """The factor of balances and rows, made when it is first asked for."""
        return self.make()

    @lazy
    def moves(self) -> Floats:
        """Random moves that no reading or balance sees, (n, probes)."""
        if self.open is not None:
            return self.open
        if not self.pins.any():
            return np.zeros((len(self.pins), PROBES))
        return np.stack([self._moved(push) for push in pushes(self.pins).T], axis=1)

    @property
    def _most(self) -> float:
        return float(np.abs(self.moves).max())

    @lazy
    def redundant(self) -> Bools:
        """Which of ``rows`` the others determine as well, (m,)."""
        return np.asarray(self.factor.variance(self.rows) < 1 - LEVERAGE_TOLERANCE)

    def unexplained(self) -> Floats:
        """
        Give the part of each reading that the others do not explain, ``I - H``, (m, m).

        Without some of the readings all else stays as determined as it is exactly where the block
        of those readings is regular.
        """
        rows = self.rows
        return np.asarray(np.eye(rows.shape[0]) - rows @ self.factor.spread(rows.toarray().T))

    def null_space(self, budget: Budget) -> Floats:
        """Give a basis of the moves that neither balances nor ``rows`` see: (n, pins)."""
        pins = np.flatnonzero(self.pins)
        basis = np.zeros((len(self.pins), len(pins)))
        for k, pin in enumerate(pins):
            budget.check()
            push = np.zeros(len(self.pins))
            push[pin] = 1.0
            basis[:, k] = self._moved(push)
        return basis

    def _moved(self, push: Floats) -> Floats:
        nothing = np.zeros(self.balances.shape[0])
        return self.factor.solve(np.zeros(len(push)), nothing, push).move

    def observable(self, rows: sp.csr_array) -> Bools:
        """Say of each functional in ``rows`` (k, n) whether the balance determines it."""
        if not self.pins.any():
            return np.ones(rows.shape[0], dtype=bool)
        return moved_by_nothing(*self._seen(rows), self._most)

    @property
    def determined(self) -> Bools:
        """Which unknowns the balance determines, (n,)."""
        if not self.pins.any():
            return np.ones(len(self.pins), dtype=bool)
        size = np.abs(self.moves)
        return moved_by_nothing(self.moves, size, np.ones((len(size), 1)), self._most)

    def in_ratio(self, part: Ints, whole: Ints, ratio: Floats) -> Bools:
        """Say of each unknown ``part`` whether all moves keep its ratio to a ``whole``, (k,)."""
        if not self.pins.any():
            return np.ones(len(part), dtype=bool)
        over, under = self.moves[part], ratio[:, None] * self.moves[whole]
        length = 1 + np.abs(ratio)[:, None]
        return moved_by_nothing(over - under, np.abs(over) + np.abs(under), length, self._most)

    def observable_ratios(
        self, above: sp.csr_array, below: sp.csr_array, partner: Ints, ratio: Floats
    ) -> Bools:
        """Say the same of ``above - ratio · below[partner]`` (k, n), without forming it."""
        if not self.pins.any():
            return np.ones(above.shape[0], dtype=bool)
        over, under = self._seen(above), self._seen(below)
        moved = over[0] - ratio[:, None] * under[0][partner]
        size, length = (
            a + np.abs(ratio)[:, None] * b[partner]
            for a, b in zip(over[1:], under[1:], strict=True)
        )
        return moved_by_nothing(moved, size, length, self._most)

    def _seen(self, rows: sp.csr_array) -> tuple[Floats, Floats, Floats]:
        """What rows (k, n) see of each move, the size of its terms, and of the rows (k, 1)."""
        size = abs(rows)
        length = np.asarray(size.sum(axis=1), dtype=np.float64)[:, None]
        return np.asarray(rows @ self.moves), np.asarray(size @ np.abs(self.moves)), length


def moved_by_nothing(moved: Floats, size: Floats, length: Floats, most: float) -> Bools:
    """
    Say which functionals see nothing of random moves but rounding, (k,).

    ``moved`` (k, probes) is what they see, ``size`` (k, probes) that of its terms and ``length``
    (k, 1) that of their coefficients; ``most`` is the largest part of a move.
    """
    seen = np.abs(moved) > PROBE_TOLERANCE * size
    real = size > PROBE_TOLERANCE * most * length
    return np.asarray(~np.any(seen & real, axis=1))


def pushes(pins: Bools) -> Floats:
    """Give how far the pins (n,) are pushed at random in each probe, (n, probes)."""
    return push_of(len(pins)).T * pins[:, None]


def push_of(unknowns: int) -> Floats:
    """Give how far each unknown is pushed in each probe if it is held, (probes, n)."""
    return numbers(_PUSHES_SEED, PROBES * unknowns).reshape(PROBES, unknowns)


@dataclass(frozen=True)
class Drawn:
    """
    A pattern in order, with its ``pins`` (n,) and the ``moves`` (n, probes) that they leave.

    Where the pins are not certain the moves are not known.  ``ordered`` says, when a factor is
    wanted, whether one in that order is the one to take.
    """

    skeleton: Skeleton
    pins: Bools
    moves: Floats | None
    ordered: Callable[[], bool] = lambda: True


def drawn_on(skeleton: Skeleton, balances: Rows, slopes: Rows, closed: Bools) -> Drawn | None:
    """
    Give what a skeleton's order says of its ``balances`` (e, n) and readings.

    ``slopes`` (m, n) are their derivatives.  ``None`` where that is not certain and dense factors
    give an answer that is.
    """
    n = len(closed)
    pins, certain, moves = open_in(skeleton, balances, slopes, ~closed, push_of(n))
    if not certain and is_small(balances.height, n):
        return None
    return Drawn(skeleton, pins, moves if certain else None)


def structure_of(
    balances: sp.csr_array,
    rows: sp.csr_array,
    closed: Bools,
    places: Places,
    budget: Budget,
    drawn: Drawn | None = None,
) -> Structure:
    """
    Classify at one point.

    ``balances`` (e, n) hold exactly; ``rows`` (m, n) are the readings' derivatives, in columns of
    comparable size; ``places`` say where they stand; ``drawn`` is what is known of them already.
    """
    rows = unit_rows(rows)
    pins = pins_of(balances, rows, closed, places, budget) if drawn is None else drawn.pins
    nothing = np.zeros(len(pins), dtype=bool)
    held = Held(nothing, np.zeros(0, dtype=bool), pins, closed)

    def make() -> Factor:
        basis = None
        if drawn is not None and drawn.ordered():
            basis = SparseBasis(balances, drawn.skeleton)
        return unit_factor(balances, rows, held, places, budget, basis)

    return Structure(balances, rows, pins, closed, make, None if drawn is None else drawn.moves)
