"""The delta method with numerical slopes: what errors of the inputs make of a formula's result."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np


def delta_sd(formula: Callable[..., float], values: Sequence[float], sds: Sequence[float]) -> float:
    """
    Give the standard deviation of ``formula(*values)`` to first order, inputs independent.

    JCGM 100:2008, 5.1.2.  Slopes are central differences over a ten-thousandth of each sd, so the
    relative error is about 1e-8 of the curvature within one sd, plus rounding.
    """
    parts = []
    for i, sd in enumerate(sds):
        step = 1e-4 * sd
        ends = [[*values] for _ in range(2)]
        ends[0][i] -= step
        ends[1][i] += step
        parts.append((formula(*ends[1]) - formula(*ends[0])) / (2 * step) * sd)
    return float(np.hypot.reduce(parts))
