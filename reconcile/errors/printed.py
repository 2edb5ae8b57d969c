"""
The least error a printed value has: its rounding, and its detection limit.

Steps and limits have the unit of the value, any.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

from .checks import UnusableErrorInput, positive

DETECTION_MULTIPLE = 3.0
"""A detection limit is commonly three standard deviations of the blank (IUPAC; Currie, Pure and
Applied Chemistry 67, 1995, 1699, argues for 3.29; both quoted from memory)."""

MOST_DECIMALS = 300
"""Beyond it a step is no longer an ordinary double."""

DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


def rounding_sd(step: float) -> float:
    """
    Give the standard deviation that rounding to a step leaves, ``step / sqrt(12)``.

    A value printed as 0.1 lies anywhere from 0.05 to 0.15, so the step is 0.1 and the error
    uniform over it: JCGM 100:2008, F.2.2.1.  The mean of replicates that agree within a step has
    it whole, since they are all rounded the same way.  Raises `UnusableErrorInput` for a step not
    above zero.
    """
    return positive("step", step) / math.sqrt(12)


def step_of_decimals(decimals: int) -> float:
    """
    Give the step of a value printed with so many decimals; negative for rounded tens, hundreds.

    Raises `UnusableErrorInput` for more than 300 either way.
    """
    return _step("decimals", decimals)


def step_of(text: str) -> float:
    """
    Give the step of a number as printed: one in its last digit.

    "0.1" and "12.3" give 0.1, "0.10" gives 0.01, "2500" gives 1 and "2.5e3" gives 100.  Whether
    zeros at the end of "2500" count cannot be seen: they are taken as read.  Raises
    `UnusableErrorInput` for a text that is not a decimal number with a point.
    """
    if not DECIMAL.fullmatch(text.strip()):
        raise UnusableErrorInput("text", f"'{text}' is not a decimal number.")
    exponent = Decimal(text.strip()).as_tuple().exponent
    return _step("text", -int(exponent))


def detection_sd(limit: float, multiple: float = DETECTION_MULTIPLE) -> float:
    """
    Give the standard deviation near zero that a detection limit stands for, ``limit / multiple``.

    By convention the limit is ``multiple`` = 3 standard deviations of the blank; a laboratory
    that defines it otherwise (3.29, or a reporting limit of 10) must say so.  No reading is
    better than that, so it is a floor.  Raises `UnusableErrorInput` for values not above zero.
    """
    return positive("limit", limit) / positive("multiple", multiple)


def _step(argument: str, decimals: int) -> float:
    if abs(decimals) > MOST_DECIMALS:
        raise UnusableErrorInput(argument, f"{decimals} decimals are not a printed value.")
    return float(Decimal(1).scaleb(-decimals))
