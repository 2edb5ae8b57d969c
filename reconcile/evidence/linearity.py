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
    bend = np.zeros(len(found.value))
    for move, bent in zip(straight, curved, strict=True):
        after = _value(rows, x + bent)
        line = found.value + _slope(rows, found.value, x, move)
        bend += np.nan_to_num((after - line) ** 2, nan=np.inf)
    spread = np.where(sure, found.sd, np.inf)
    bends = np.sqrt(bend / len(straight)) > BENT * spread
    room = np.minimum(found.value, top - found.value)
    return np.asarray(sure & (bends | (room < NEAR * np.where(sure, found.sd, 0.0))))


def _value(rows: Functionals, x: Floats) -> Floats:
    above = np.asarray(rows.above @ x)
    if rows.below is None:
        return above
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(above / (rows.below @ x)[rows.partner])


def _slope(rows: Functionals, value: Floats, x: Floats, move: Floats) -> Floats:
    above = np.asarray(rows.above @ move)
    if rows.below is None:
        return above
    below = (rows.below @ x)[rows.partner]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((above - value * (rows.below @ move)[rows.partner]) / below)


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


def warning(at: Linearisation, masses: Derived, assays: Derived) -> str | None:
    """Give the warning about masses and assays (as evaluated) whose sd is doubtful, if any."""
    model = at.solution.plan.model
    sheet = model.flowsheet
    moves = at.second_order(DRAWS, _SEED)
    streams, components = [s.name for s in sheet.streams], len(sheet.components)
    of_mass = derived.picked(model.columns(0), model.size)
    of_assay = derived.shares(model, range(1, 1 + components), 0)
    names = [f"the mass of '{s}'" for s in streams]
    names += [f"{c} in '{s}'" for s in streams for c in sheet.components]
    doubts = (
        doubtful(at, of_mass, masses, moves, np.inf),
        doubtful(at, of_assay, assays, moves, 1.0),
    )
    flows = np.concatenate((~model.signed, np.repeat(~model.signed, components)))
    found = [
        name for name, doubt in zip(names, np.concatenate(doubts) & flows, strict=True) if doubt
    ]
    return in_words(found) if found else None
