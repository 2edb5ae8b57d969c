"""The error that rounding and detection limits leave, and steps read off printed numbers."""

import math

import numpy as np
import pytest

from reconcile.errors import (
    UnusableErrorInput,
    detection_sd,
    rounding_sd,
    step_of,
    step_of_decimals,
)


def test_rounding_leaves_the_sd_of_the_guide() -> None:
    """JCGM 100:2008, F.2.2.1 (from memory): 0.29 times the resolution."""
    assert pytest.approx(0.29, abs=0.005) == rounding_sd(1.0)


def test_rounded_values_scatter_about_the_truth_by_that_sd() -> None:
    """Two hundred thousand values printed with one decimal: within 1 %."""
    values = np.random.default_rng(2).uniform(0, 100, 200_000)

    assert pytest.approx(rounding_sd(0.1), rel=0.01) == (values.round(1) - values).std()


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("0.1", 0.1),
        ("0.10", 0.01),
        ("-12.3", 0.1),
        ("2500", 1.0),
        ("2500.", 1.0),
        ("2.5e3", 100.0),
        ("1.20E-3", 1e-5),
        (" .5 ", 0.1),
        ("0", 1.0),
        ("0.000", 0.001),
    ],
)
def test_the_step_of_a_printed_number_is_one_in_its_last_digit(text: str, step: float) -> None:
    """Zeros after the point count, signs and blanks do not."""
    assert step == step_of(text)


@pytest.mark.parametrize(("decimals", "step"), [(0, 1.0), (2, 0.01), (-2, 100.0)])
def test_decimals_are_a_step(decimals: int, step: float) -> None:
    """Two decimals are hundredths, minus two are hundreds."""
    assert step == step_of_decimals(decimals)


@pytest.mark.parametrize(
    "text", ["", "<0.05", "0,1", "nan", "inf", "1_000", "0x1", "1e", ".", "1e999", "n.d."]
)
def test_what_is_no_decimal_number_has_no_step(text: str) -> None:
    """Nothing is guessed from a comma, a sign of less-than or a word."""
    with pytest.raises(UnusableErrorInput, match="text"):
        step_of(text)


def test_a_detection_limit_is_three_sds_unless_said_otherwise() -> None:
    """The usual convention, and Currie's 3.29."""
    assert pytest.approx(0.05) == detection_sd(0.15)
    assert pytest.approx(0.05) == detection_sd(0.1645, multiple=3.29)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_steps_and_limits_are_above_zero(value: float) -> None:
    """Zero would claim a value without error."""
    for call in (rounding_sd, detection_sd, lambda v: detection_sd(1.0, v)):
        with pytest.raises(UnusableErrorInput):
            call(value)
    with pytest.raises(UnusableErrorInput, match="decimals"):
        step_of_decimals(1000)
