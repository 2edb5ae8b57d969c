"""What every estimate of an error asks of its input, and the one exception that refuses it."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


class UnusableErrorInput(ValueError):
    """
    No standard deviation can come from this input.

    ``argument`` names the argument at fault, ``what`` is a sentence for people.
    """

    def __init__(self, argument: str, what: str) -> None:
        self.argument = argument
        self.what = what
        super().__init__(f"{argument}: {what}")


def finite(argument: str, value: float) -> float:
    """Give the number back unless it is infinite or not a number."""
    if not math.isfinite(value):
        raise UnusableErrorInput(argument, f"{value} is not a finite number.")
    return float(value)


def positive(argument: str, value: float) -> float:
    """Give the number back if it is finite and above zero."""
    if finite(argument, value) <= 0:
        raise UnusableErrorInput(argument, f"{value:g} is not above zero.")
    return float(value)


def not_negative(argument: str, value: float) -> float:
    """Give the number back if it is finite and at least zero."""
    if finite(argument, value) < 0:
        raise UnusableErrorInput(argument, f"{value:g} is below zero.")
    return float(value)


def mass_fraction(argument: str, value: float) -> float:
    """Give the number back if it is a mass fraction above 0 and at most 1."""
    if positive(argument, value) > 1:
        raise UnusableErrorInput(
            argument, f"{value:g} is above 1; a mass fraction is meant, not a percentage."
        )
    return float(value)


def numbers(argument: str, values: Iterable[float], at_least: int) -> Values:
    """Give finite values as an array, shape (n,), if there are enough of them."""
    array = np.array(list(values), dtype=float)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise UnusableErrorInput(argument, "Not every value is a finite number.")
    if len(array) < at_least:
        raise UnusableErrorInput(
            argument, f"There are {len(array)} values where at least {at_least} are needed."
        )
    return array


def sum_of_squares(values: Values) -> float:
    """
    Give the sum of squares about the mean, exactly zero for identical values.

    Taken from the first value, since the mean of three times 0.1 is not 0.1 in binary.
    """
    shifted = values - values[0]
    return float(((shifted - shifted.mean()) ** 2).sum())
