"""The two-product formula as the special case of three streams and one component."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import Knowledge, Outcome, Reading, reconcile_balance
from tests.flowsheets import separator

SHEET = separator(("metal",))


@st.composite
def grades(draw: st.DrawFn) -> tuple[float, float, float]:
    """Draw feed, concentrate and tailing grades that a separator can have, as fractions."""
    concentrate = draw(st.floats(1e-4, 0.9))
    tailing = concentrate * draw(st.floats(1e-4, 0.95))
    between = draw(st.floats(0.02, 0.98))
    return tailing + between * (concentrate - tailing), concentrate, tailing


RELATIVE = st.tuples(*[st.floats(1e-4, 0.05)] * 3)
"""Relative errors of the three grades."""


def recovery(f: float, c: float, t: float) -> float:
    """Give R = c (f - t) / (f (c - t))."""
    return c * (f - t) / (f * (c - t))


def recovery_sd(f: float, c: float, t: float, sds: tuple[float, float, float]) -> float:
    """
    Give the first-order error of the recovery, slopes by hand.

    ``∂R/∂f = c t / (f² (c - t))``, ``∂R/∂c = -t (f - t) / (f (c - t)²)``,
    ``∂R/∂t = -c (c - f) / (f (c - t)²)``.
    """
    d = c - t
    slopes = (c * t / (f**2 * d), -t * (f - t) / (f * d**2), -c * (c - f) / (f * d**2))
    return math.hypot(*(slope * sd for slope, sd in zip(slopes, sds, strict=True)))


def pull(f: float, c: float, t: float) -> float:
    """Give the mass pull Y = (f - t) / (c - t)."""
    return (f - t) / (c - t)


def pull_sd(f: float, c: float, t: float, sds: tuple[float, float, float]) -> float:
    """Give the first-order error of the pull: ``1/d``, ``-Y/d``, ``-(1 - Y)/d``."""
    d, y = c - t, pull(f, c, t)
    return math.hypot(sds[0], y * sds[1], (1 - y) * sds[2]) / d


def read(values: tuple[float, ...], sds: tuple[float, ...]) -> list[Reading]:
    """Read the three grades."""
    names = ("feed", "concentrate", "tailing")
    return [Reading(s, "metal", v, sd) for s, v, sd in zip(names, values, sds, strict=True)]


@settings(max_examples=80, deadline=None, derandomize=True)
@given(grades(), RELATIVE)
def test_three_grades_give_the_closed_form_recovery_and_its_error(
    values: tuple[float, float, float], relative: tuple[float, float, float]
) -> None:
    """
    Recovery and pull to 1e-9, their first-order errors to 1e-6, for any grades of a separator.

    Classical two-product formula; variance by the delta method (JCGM 100:2008, 5.1.2).
    """
    sds = tuple(r * v for r, v in zip(relative, values, strict=True))

    balance = reconcile_balance(SHEET, read(values, sds))

    assert Outcome.CLOSED is balance.outcome
    found = balance.recoveries["concentrate", "metal"]
    assert pytest.approx(recovery(*values), rel=1e-9) == found.value
    assert pytest.approx(recovery_sd(*values, sds), rel=1e-6) == found.sd
    found = balance.yields["concentrate"]
    assert pytest.approx(pull(*values), rel=1e-9) == found.value
    assert pytest.approx(pull_sd(*values, sds), rel=1e-6) == found.sd


@settings(max_examples=25, deadline=None, derandomize=True)
@given(grades(), RELATIVE)
def test_what_is_lost_is_as_uncertain_as_what_is_recovered(
    values: tuple[float, float, float], relative: tuple[float, float, float]
) -> None:
    """Recoveries of both products sum to one, so their errors are equal."""
    sds = tuple(r * v for r, v in zip(relative, values, strict=True))

    balance = reconcile_balance(SHEET, read(values, sds))

    kept = balance.recoveries["concentrate", "metal"]
    lost = balance.recoveries["tailing", "metal"]
    assert kept.value is not None
    assert pytest.approx(1 - kept.value, abs=1e-12) == lost.value
    assert pytest.approx(kept.sd, rel=1e-6) == lost.sd


@settings(max_examples=25, deadline=None, derandomize=True)
@given(grades(), RELATIVE, st.floats(1.0, 1e6), st.floats(1e-4, 0.05))
def test_a_weighed_feed_changes_no_recovery(
    values: tuple[float, float, float],
    relative: tuple[float, float, float],
    mass: float,
    mass_error: float,
) -> None:
    """
    One mass checks nothing: recovery as before, the concentrate's mass its product with the pull.

    Its relative variance is the sum of both.
    """
    sds = tuple(r * v for r, v in zip(relative, values, strict=True))
    weighed = Reading("feed", "mass", mass, mass_error * mass)

    balance = reconcile_balance(SHEET, [*read(values, sds), weighed])

    recovered = balance.recoveries["concentrate", "metal"]
    assert pytest.approx(recovery(*values), rel=1e-9) == recovered.value
    assert pytest.approx(recovery_sd(*values, sds), rel=1e-6) == recovered.sd
    concentrate = balance.masses["concentrate"]
    assert pytest.approx(mass * pull(*values), rel=1e-9) == concentrate.value
    spread = math.hypot(mass_error, pull_sd(*values, sds) / pull(*values))
    assert pytest.approx(mass * pull(*values) * spread, rel=1e-6) == concentrate.sd
    assert Knowledge.OBSERVABLE is concentrate.knowledge
