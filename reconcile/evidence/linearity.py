"""
Whether the standard deviations can be trusted: is the balance linear over its own uncertainty.

The covariance is that of a straight line through the solution (JCGM 100:2008, 5.1.2).  Where the
estimate bends within its own spread, or a physical bound lies inside it, a simulation (JCGM
101:2008) would give another interval.  The bend is measured along random posterior moves taken to
second order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from reconcile import derived

if TYPE_CHECKING:
    from reconcile.derived import Derived, Functionals
    from reconcile.kernel.problem import Bools, Floats
    from reconcile.linearisation import Linearisation

DRAWS = 12
"""Random moves tried: their root mean square is known to a fifth."""

_SEED = 20240601
"""Any seed does; a fixed one makes the same request give the same bytes."""

BENT = 0.3
"""Root mean square of the bend, in the quantity's own sd, beyond which the sd would be off by more
than about a tenth (adding an independent part of 0.3 to 0.45 sd changes it by 4 to 10 %)."""

NEAR = 1.2
"""Distance to a bound, in sd, within which a normal distribution cut off there has an sd smaller by
a tenth or more."""


TENTH = 0.1
"""Share of an sd beyond which a simulated one would differ noticeably."""

MOST_NEAR = 50
"""Amounts near a bound that are followed to what hangs together with them."""


def _cut(room: Floats) -> Floats:
    """Give the share of a normal variance that is lost if it is cut off ``room`` sds below."""
    below, density = norm.cdf(-room), norm.pdf(room)
    mean = density - room * below
    square = room**2 * below + norm.cdf(room) - room * density
    return np.asarray(1 - (square - mean**2))


def _pulled(at: Linearisation, rows: Functionals, found: Derived, amounts: Derived) -> Bools:
    """
    Say of each functional whether a bound near another amount takes a tenth of its sd.

    What correlates by r with an amount that loses the share k of its variance loses r²k.
    """
    free = at.solution.plan.model.free[: len(amounts.value)]
    near = amounts.known & (amounts.sd > 0) & (amounts.value < NEAR * amounts.sd) & ~free
    columns = np.flatnonzero(near)[:MOST_NEAR]
    if not len(columns):
        return np.zeros(len(found.value), dtype=bool)
    shared = np.asarray(_slope(rows, found.value, at.solution.x, at.covariance_with(columns)))
    spread = np.outer(np.where(found.sd > 0, found.sd, np.inf), amounts.sd[columns])
    lost = (shared / spread) ** 2 * _cut(amounts.value[columns] / amounts.sd[columns])
    return np.asarray(lost.max(axis=1) > 1 - (1 - TENTH) ** 2)


def doubtful(
    at: Linearisation, rows: Functionals, found: Derived, moves: tuple[Floats, Floats], top: float
) -> Bools:
    """
    Say of each functional whether its sd would differ by more than a tenth from a simulated one.

    ``found`` are its value, sd and class; ``moves`` the straight and bent posterior moves; ``top``
    the upper bound of its value, infinity for none.
    """
    x, (straight, curved) = at.solution.x, moves
    sure = found.known & found.defined & (found.sd > 0)
    after = _value(rows, x[:, None] + curved.T)
    line = found.value[:, None] + _slope(rows, found.value, x, straight.T)
    bend = np.nan_to_num((after - line) ** 2, nan=np.inf).mean(axis=1)
    spread = np.where(sure, found.sd, np.inf)
    bends = np.sqrt(bend) > BENT * spread
    room = np.minimum(found.value, top - found.value)
    return np.asarray(sure & (bends | (room < NEAR * np.where(sure, found.sd, 0.0))))


def _value(rows: Functionals, x: Floats) -> Floats:
    """Give the functionals at points (n, draws)."""
    above = np.asarray(rows.above @ x)
    if rows.below is None:
        return above
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(above / (rows.below @ x)[rows.partner])


def _slope(rows: Functionals, value: Floats, x: Floats, move: Floats) -> Floats:
    """Give the first-order change of the functionals along moves (n, draws)."""
    above = np.asarray(rows.above @ move)
    if rows.below is None:
        return above
    below = (rows.below @ x)[rows.partner][:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((above - value[:, None] * (rows.below @ move)[rows.partner]) / below)


def in_words(names: list[str], most: int = 6) -> str:
    """Give the warning that names quantities whose sd is doubtful."""
    shown = ", ".join(names[:most]) + (
        f" and {len(names) - most} more" if len(names) > most else ""
    )
    return (
        f"The uncertainty of {shown} is so large beside the value that its standard deviation is "
        "only a guide: the balance bends, or a bound lies, within it. A simulated interval would "
        "differ by more than a tenth. Read more, or more precisely, around it."
    )


def warning(at: Linearisation, amounts: Derived, assays: Derived) -> str | None:
    """Give the warning about masses and assays whose sd is doubtful, if any; all as evaluated."""
    model = at.solution.plan.model
    sheet = model.flowsheet
    moves = at.second_order(DRAWS, _SEED)
    masses = amounts.at(slice(0, None, model.kinds))
    streams, components = [s.name for s in sheet.streams], len(sheet.components)
    plan = at.solution.plan
    of_mass, of_assay = (derived.of_plan(plan, make) for make in (derived.masses, derived.assays))
    names = [f"the mass of '{s}'" for s in streams]
    names += [f"{c} in '{s}'" for s in streams for c in sheet.components]
    doubts = [
        doubtful(at, rows, known, moves, top) | _pulled(at, rows, known, amounts)
        for rows, known, top in ((of_mass, masses, np.inf), (of_assay, assays, 1.0))
    ]
    flows = np.concatenate((~model.signed, np.repeat(~model.signed, components)))
    found = [
        name for name, doubt in zip(names, np.concatenate(doubts) & flows, strict=True) if doubt
    ]
    return in_words(found) if found else None
