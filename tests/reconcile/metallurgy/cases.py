"""
Invented tests with a truth: three passes over magnets, and the exact figures that belong to it.

Truth first: each mineral of the head is shared among the products by given shares, then assays
follow.  Readings are the truth plus their sd times a standard normal draw from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reconcile import Flowsheet, Reading, Stream
from reconcile.metallurgy.performance import Series

Array = NDArray[np.float64]

PRODUCTS = ("mag 1", "mag 2", "mag 3", "rest")
SHEET = Flowsheet(
    ("pass 1", "pass 2", "pass 3"),
    (
        Stream("head", None, "pass 1"),
        Stream("mag 1", "pass 1", None),
        Stream("rest 1", "pass 1", "pass 2"),
        Stream("mag 2", "pass 2", None),
        Stream("rest 2", "pass 2", "pass 3"),
        Stream("mag 3", "pass 3", None),
        Stream("rest", "pass 3", None),
    ),
    ("ilmenite", "Sn", "ThO2", "U3O8"),
)
SERIES = Series(("head",), PRODUCTS, {"ilmenite": 1.0, "Sn": 0.787682}, ("ilmenite",))

_HEAD = np.array([2500.0, 1100.0, 520.0, 3.0, 0.4])
"""Grams of solids, ilmenite, tin, ThO2 and U3O8."""

_SHARES = np.array(
    [
        [0.44, 0.88, 0.05, 0.04, 0.06],
        [0.12, 0.09, 0.06, 0.75, 0.55],
        [0.05, 0.02, 0.04, 0.17, 0.20],
        [0.39, 0.01, 0.85, 0.04, 0.19],
    ]
)
"""Share of each of them in each product."""


def truth() -> dict[str, Array]:
    """Give grams of solids and components in every stream."""
    mag_1, mag_2, mag_3, rest = _HEAD * _SHARES
    return {
        "head": _HEAD,
        "mag 1": mag_1,
        "rest 1": mag_2 + mag_3 + rest,
        "mag 2": mag_2,
        "rest 2": mag_3 + rest,
        "mag 3": mag_3,
        "rest": rest,
    }


@dataclass(frozen=True)
class Errors:
    """Relative errors of weighing and assaying, and what is read of intermediate streams."""

    mass: float = 0.003
    assay: float = 0.02
    between: bool = True


def readings(seed: int | None, errors: Errors = Errors()) -> tuple[Reading, ...]:
    """Read the trays; without a seed exactly, though with the same standard deviations."""
    normal = np.random.default_rng(seed).standard_normal
    found = []
    for stream, amounts in truth().items():
        if stream.startswith("rest ") and not errors.between:
            continue
        values = [amounts[0], *(amounts[1:] / amounts[0])]
        for of, value in zip(SHEET.quantities, values, strict=True):
            sd = value * (errors.mass if of == "mass" else errors.assay)
            noise = 0.0 if seed is None else sd * normal()
            found.append(Reading(stream, of, float(value + noise), float(sd)))
    return tuple(found)


def plain_figures(solids: Array, parts: Array, feed: Array, pure: float) -> dict[str, Array]:
    """
    Give the figures of products from their grams, by the textbook formulas.

    ``solids`` and ``parts`` (..., products), ``feed`` (..., 2).  The separation efficiency is
    ``C m (c-f) / ((m-f) f)`` (Schulz 1970), not the difference of recoveries.
    """
    f = feed[..., 1:] / feed[..., :1]
    c, yields = parts / solids, solids / feed[..., :1]
    return {
        "grade": c,
        "recovery": c * yields / f,
        "enrichment": c / f,
        "efficiency": yields * pure * (c - f) / ((pure - f) * f),
        "gangue": (solids - parts / pure) / (feed[..., :1] - feed[..., 1:] / pure),
    }


def reordered(series: Series, order: tuple[int, ...]) -> Series:
    """Give the series with its products in another order."""
    return replace(series, products=tuple(series.products[k] for k in order))
