"""How laboratories differ by content, against remembered figures of the two functions."""

import pytest

from reconcile.errors import (
    UnusableErrorInput,
    horwitz_relative_sd,
    horwitz_sd,
    thompson_relative_sd,
    thompson_sd,
)


@pytest.mark.parametrize(
    ("fraction", "percent"),
    [(1, 2), (0.1, 2.828427), (0.01, 4), (1e-3, 5.656854), (1e-6, 16), (1e-9, 45.254834)],
)
def test_horwitz_doubles_for_each_hundredfold_dilution(fraction: float, percent: float) -> None:
    """Horwitz, Kamps and Boyer 1980 (from memory): 2 % at 100 %, 16 % at 1 ppm, 45 % at 1 ppb."""
    assert pytest.approx(percent / 100, rel=1e-6) == horwitz_relative_sd(fraction)
    assert pytest.approx(fraction * percent / 100, rel=1e-6) == horwitz_sd(fraction)


@pytest.mark.parametrize(
    ("fraction", "percent"),
    [(1, 1.0), (0.1, 2.82833), (0.01, 3.99972), (1e-6, 15.9967), (1e-9, 22)],
)
def test_thompson_narrows_both_ends(fraction: float, percent: float) -> None:
    """Thompson 2000 (from memory): 1 % at 100 %, 22 % at 1 ppb, Horwitz between."""
    assert pytest.approx(percent / 100, rel=1e-5) == thompson_relative_sd(fraction)


@pytest.mark.parametrize(
    ("fraction", "below", "above"), [(1.2e-7, 0.22, 0.2201), (0.138, 0.026945, 0.026919)]
)
def test_thompsons_branches_meet(fraction: float, below: float, above: float) -> None:
    """At 1.2e-7 and at 0.138 the neighbours differ by a tenth of a percent."""
    step = 1e-9 * fraction

    assert pytest.approx(below, rel=1e-4) == thompson_relative_sd(fraction - step)
    assert pytest.approx(above, rel=3e-4) == thompson_relative_sd(fraction + step)


@pytest.mark.parametrize("fraction", [0.0, -0.1, 1.0001, 65.0, float("nan"), float("inf")])
@pytest.mark.parametrize(
    "function", [horwitz_sd, horwitz_relative_sd, thompson_sd, thompson_relative_sd]
)
def test_what_is_no_mass_fraction_is_refused(function, fraction: float) -> None:
    """A percentage taken for a fraction is the usual slip."""
    with pytest.raises(UnusableErrorInput, match="fraction"):
        function(fraction)
