"""
The global test of all adjustments together.

Under normal errors with the stated standard deviations the weighted sum of squared adjustments is
chi-square distributed with as many degrees of freedom as there are independent checks (Reilly and
Carpani 1963; Narasimhan and Jordache 2000, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace

from scipy.special import chdtrc

from reconcile.balance import GlobalTest


def global_test(statistic: float, degrees: int, bounds: int, limits: int = 0) -> GlobalTest:
    """
    Give the test for a weighted sum of squares.

    ``bounds`` active bounds qualify the reference: the statistic then follows a mixture of
    chi-squares with ``degrees`` to ``degrees + bounds`` degrees of freedom (Shapiro 1988), so the
    true p-value lies between the two.  ``limits`` readings are limits, not numbers: they move the
    estimate but count neither in the statistic nor as a degree of freedom.
    """
    found = _test(statistic, degrees, bounds)
    if not limits:
        return found
    one = (
        "1 reading is a limit and counts"
        if limits == 1
        else f"{limits} readings are limits and count"
    )
    return replace(
        found,
        reference=f"{found.reference}; {one} neither in the statistic nor as a degree of freedom, "
        "so the p-value is approximate",
    )


def without_reference(statistic: float, degrees: int) -> GlobalTest:
    """Give the objective of a robust fit, which follows no known distribution."""
    return GlobalTest(
        statistic,
        degrees,
        None,
        "none: the statistic of a robust fit has no reference distribution",
    )


def _test(statistic: float, degrees: int, bounds: int) -> GlobalTest:
    if degrees == 0 and bounds == 0:
        return GlobalTest(statistic, 0, None, "no reading is redundant, so nothing can be tested")
    low = float(chdtrc(degrees, statistic)) if degrees else None
    if bounds == 0:
        return GlobalTest(statistic, degrees, low, f"chi-square with {degrees} degrees of freedom")
    high = float(chdtrc(degrees + bounds, statistic))
    held = "1 bound is active" if bounds == 1 else f"{bounds} bounds are active"
    if low is None:
        return GlobalTest(
            statistic, 0, None, f"nothing is redundant; {held}, so p is at most {high:.3g}"
        )
    ends = f"{low:.3g}", f"{high:.3g}"
    lies = f"is {ends[0]}" if ends[0] == ends[1] else f"lies between {ends[0]} and {ends[1]}"
    return GlobalTest(
        statistic,
        degrees,
        low,
        f"chi-square with {degrees} degrees of freedom, qualified: {held}, so the p-value {lies}",
    )
