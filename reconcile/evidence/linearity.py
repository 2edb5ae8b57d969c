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
from scipy.special import ndtr

from reconcile import derived
from reconcile.kernel.exact import Rows
from reconcile.kernel.quotients import bends, slopes_of
from reconcile.kernel.system import seen

if TYPE_CHECKING:
    from reconcile.derived import Derived
    from reconcile.kernel.problem import Bools, Floats
    from reconcile.kernel.quotients import Quotients, Slopes
    from reconcile.linearisation import Linearisation
    from reconcile.model import Model

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
    below, density = ndtr(-room), np.exp(-(room**2) / 2) / np.sqrt(2 * np.pi)
    mean = density - room * below
    square = room**2 * below + ndtr(room) - room * density
    return np.asarray(1 - (square - mean**2))


def _pulled(at: Linearisation, of: Quotients, here: Slopes, sd: Floats, amounts: Derived) -> Bools:
    """
    Say of each quantity whether a bound near another amount takes a tenth of its sd.

    What correlates by r with an amount that loses the share k of its variance loses r²k.
    """
    free = at.solution.plan.model.free[: len(amounts.value)]
    near = amounts.known & (amounts.sd > 0) & (amounts.value < NEAR * amounts.sd) & ~free
    columns = np.flatnonzero(near)[:MOST_NEAR]
    if not len(columns):
        return np.zeros(len(sd), dtype=bool)
    shared = seen(Rows(of.start, of.column, here.gradient), at.covariance_with(columns))
    spread = np.outer(np.where(sd > 0, sd, np.inf), amounts.sd[columns])
    lost = (shared / spread) ** 2 * _cut(amounts.value[columns] / amounts.sd[columns])
    return np.asarray(lost.max(axis=1) > 1 - (1 - TENTH) ** 2)


def _doubtful(
    of: Quotients, here: Slopes, found: Derived, x: Floats, moves: tuple[Floats, Floats]
) -> Bools:
    """
    Say of each quantity whether its sd would differ by more than a tenth from a simulated one.

    ``here`` and ``found`` are its value, gradient, sd and class; ``moves`` the straight and bent
    posterior moves.  A quotient is at most one.
    """
    sure = found.known & found.defined & (found.sd > 0)
    spread = np.where(sure, found.sd, np.inf)
    bent = np.sqrt(bends(of, here, x, *moves)) > BENT * spread
    top = np.where(of.constant > 0, np.inf, 1.0)
    room = np.minimum(found.value, top - found.value)
    return np.asarray(sure & (bent | (room < NEAR * np.where(sure, found.sd, 0.0))))


def _judged(model: Model) -> Quotients:
    """Masses and assays, (streams + streams · components)."""
    parts = derived.masses(model), derived.assays(model)
    return derived.stacked([derived.quotients_of(part) for part in parts])


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
    solution = at.solution
    of = solution.plan.remembered("judged", lambda: _judged(model))
    here = slopes_of(of, solution.x, solution.throughput)
    found = amounts.at(slice(0, None, model.kinds)).and_then(assays)
    doubts = _doubtful(of, here, found, solution.x, at.second_order(DRAWS, _SEED))
    doubts |= _pulled(at, of, here, found.sd, amounts)
    components = len(sheet.components)
    doubts &= np.concatenate((~model.signed, np.repeat(~model.signed, components)))
    if not doubts.any():
        return None
    streams = [s.name for s in sheet.streams]
    names = [f"the mass of '{s}'" for s in streams]
    names += [f"{c} in '{s}'" for s in streams for c in sheet.components]
    return in_words([names[k] for k in np.flatnonzero(doubts)])
