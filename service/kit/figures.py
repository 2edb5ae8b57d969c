"""Numbers for people: rounded to what their standard deviation says is known."""

from __future__ import annotations

import math

SIGNIFICANT = 2
"""Digits of a standard deviation that are shown (JCGM 100:2008, 7.2.6)."""

NEGLIGIBLE = 1e-12
"""An sd below this fraction of its value is rounding of the calculation, not an error."""

LEAST_P = 1e-16
"""A p-value below it is called so: about the rounding of one, and smaller means nothing more."""

_MOST_DIGITS = 8
_LARGEST_PLAIN = 1e9
_SMALLEST_PLAIN = 1e-6


def _magnitude(number: float) -> int:
    return math.floor(math.log10(abs(number)))


def decimals_for(sd: float) -> int:
    """Give the decimals that show an sd to two significant digits; negative means tens."""
    # Rounding first, since 0.0996 shown to two digits is 0.10.
    return SIGNIFICANT - 1 - _magnitude(float(f"{sd:.{SIGNIFICANT - 1}e}"))


def fixed(number: float, decimals: int) -> str:
    """Write a number with so many decimals; negative decimals round to tens, hundreds ..."""
    rounded = round(number, decimals) + 0.0  # plus zero turns -0.0 into 0.0
    return f"{rounded:.{max(decimals, 0)}f}"


def plain(number: float) -> str:
    """Write a number of which no sd is known."""
    return f"{number:.6g}"


def p_value(p: float) -> str:
    """Write a p-value, as no less than what arithmetic can tell from nothing: 'p = 0.031'."""
    return f"p = {p:.2g}" if p >= LEAST_P else f"p below {LEAST_P:g}"


def _is_plain(number: float) -> bool:
    return number == 0 or _SMALLEST_PLAIN <= abs(number) < _LARGEST_PLAIN


def value_and_sd(value: float, sd: float | None) -> tuple[str, str]:
    """
    Give a value and its sd as text, the value rounded to the last digit shown of the sd.

    The second is empty where there is no sd above zero.
    """
    if not sd or sd < NEGLIGIBLE * abs(value):
        return plain(value), ""
    if abs(value) >= _LARGEST_PLAIN or not _is_plain(max(abs(value), sd)):
        return plain(value), f"{sd:.2g}"
    decimals = decimals_for(sd)
    most = _MOST_DIGITS - 1 - max(_magnitude(value), 0) if value else _MOST_DIGITS
    if decimals > most:
        return fixed(value, most), f"{sd:.2g}"
    return fixed(value, decimals), fixed(sd, decimals)


def plus_minus(value: float, sd: float | None) -> str:
    """Write a value with its sd: '31.54 ± 0.44'."""
    shown, error = value_and_sd(value, sd)
    return f"{shown} ± {error}" if error else shown


def signed(number: float, sd: float | None) -> str:
    """Write a change with its sign, to the digits that the sd of the thing changed has."""
    text = fixed(number, decimals_for(sd)) if sd and _is_plain(sd) else plain(number)
    return text if text.startswith("-") else f"+{text}"
