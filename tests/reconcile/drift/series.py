"""Invented series for tests: residuals drawn in their own space, and shifts of readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reconcile import Reading
from reconcile.evidence.drift.residuals import Residuals

Array = NDArray[np.float64]


def frame(readings: int, degrees: int, seed: int) -> Array:
    """Draw an orthonormal basis (readings, degrees) of what a balance might leave over."""
    rng = np.random.default_rng(seed)
    return np.asarray(np.linalg.qr(rng.standard_normal((readings, degrees)))[0])


def residuals(basis: Array, errors: Array) -> Residuals:
    """Give what a balance leaves over of errors (shifts, readings) in sds."""
    return Residuals(errors @ basis, basis[None], np.zeros(len(errors), dtype=np.int64))


def drawn(
    readings: Sequence[Reading], errors: Array, *, but: dict[int, Sequence[int]] | None = None
) -> list[list[Reading]]:
    """Give shifts of readings with errors (shifts, readings) in sds; ``but`` are not read."""
    return [
        [
            replace(r, value=r.value + r.sd * float(e))
            for i, (r, e) in enumerate(zip(readings, row, strict=True))
            if i not in (but or {}).get(k, ())
        ]
        for k, row in enumerate(errors)
    ]


def bypass() -> list[Reading]:
    """Give true flows of the bypass network, each with an sd of one."""
    flows = zip("123456", (100.0, 64.0, 36.0, 64.0, 36.0, 100.0), strict=True)
    return [Reading(name, "mass", flow, 1.0) for name, flow in flows]
