"""Numbers for points and moves of no particular kind, drawn once for all."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .problem import Floats

POINT_SEED = 19370101
"""Any seed does: the classes found at two random points differ with probability zero."""


@lru_cache(maxsize=64)
def _drawn(seed: int, bits: int) -> Floats:
    return np.random.default_rng(seed).uniform(0.5, 1.5, 1 << bits)


def numbers(seed: int, count: int) -> Floats:
    """Give ``count`` random numbers from 0.5 to 1.5, the first of a seed's: drawn once for all."""
    return _drawn(seed, count.bit_length())[:count]


@lru_cache(maxsize=32)
def _normal(seed: int, bits: int) -> Floats:
    return np.random.default_rng(seed).standard_normal(1 << bits)


def normal_numbers(seed: int, rows: int, columns: int) -> Floats:
    """Give standard normal numbers (rows, columns), the first of a seed's: drawn once for all."""
    count = rows * columns
    return _normal(seed, count.bit_length())[:count].reshape(rows, columns)
