"""
Likelihoods by fitting anew, where the residuals are too large for a straight line.

A wrong pair of bags may bend the whole balance, so that what the linearised residuals say of an
exchange is not what a fit with the values put back would say.  The likeliest exchanges, and the
likeliest readings without which the balance would do, are therefore balanced anew, side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Suspicion
from reconcile.kernel.limits import DISREGARDED

from .decisions import changed

if TYPE_CHECKING:
    from reconcile.findings import Hypothesis
    from reconcile.kernel.problem import Floats
    from reconcile.readings import Reading

    from .exchanges import Exchange

MOST_EXCHANGES = 48
"""Exchanges fitted anew: three blocks side by side."""

MOST_READINGS = 16
"""Readings without which it is fitted anew."""

Objectives = Callable[["Floats", "Floats"], "Floats"]
"""Gives the objectives of sets of values and sds, each (sets, readings); NaN without a balance."""


def refitted(
    readings: Sequence[Reading],
    others: Sequence[Hypothesis],
    exchanges: Sequence[Exchange],
    suspects: Sequence[Hypothesis],
    objectives: Objectives,
) -> tuple[Sequence[Exchange], dict[Hypothesis, float]]:
    """
    Give the likeliest exchanges as fits anew judge them, and the fall without each suspect.

    ``others`` are readings that are left out throughout, since they were found already.  What the
    side-by-side road does not settle keeps its linearised likelihood, or is no candidate if it is
    an exchange while others settle.
    """
    exchanges = exchanges[:MOST_EXCHANGES]
    suspects = [h for h in suspects if h.suspicion is Suspicion.READING][:MOST_READINGS]
    copies = [list(readings), *(changed(readings, [e.hypothesis]) for e in exchanges)]
    copies += [list(readings) for _ in suspects]
    left_out = [*([()] * (1 + len(exchanges))), *(h.readings for h in suspects)]
    everywhere = {i for h in others for i in h.readings}
    values = np.array([[r.value for r in copy] for copy in copies])
    sds = np.array(
        [
            [
                r.sd * (DISREGARDED if i in everywhere or i in out else 1.0)
                for i, r in enumerate(copy)
            ]
            for copy, out in zip(copies, left_out, strict=True)
        ]
    )
    found = objectives(values, sds)
    if not np.isfinite(found[0]):
        return exchanges, {}
    fall = np.where(np.isfinite(found), found[0] - found, np.nan)
    judged = [
        replace(exchange, fall=float(0.5 * fall[1 + k]))
        for k, exchange in enumerate(exchanges)
        if np.isfinite(fall[1 + k])
    ]
    falls = zip(suspects, fall[1 + len(exchanges) :].tolist(), strict=True)
    return judged, {suspect: one for suspect, one in falls if np.isfinite(one)}
