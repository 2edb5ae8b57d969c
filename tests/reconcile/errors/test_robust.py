"""Robust location and scale, against printed figures, another library and the normal integral."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.robust.norms import HuberT, estimate_location
from statsmodels.robust.scale import Huber

from reconcile.errors import (
    UnusableErrorInput,
    huber_location,
    huber_proposal_2,
    mean_of,
    pooled_sd,
    robust_pooled_sd,
    scaled_mad,
)
from reconcile.errors.robust import consistency

from .theory import location_with_mad, moment, proposal_2, scale_of_differences

# Data of the Analytical Methods Committee, Analyst 114, 1989, shipped with Venables and Ripley's
# book as "abbey" (nickel in a syenite rock, ug/g) and "chem" (copper in wholemeal flour, ug/g).
# The first test holds them to the published means and sds, which proves the typing.
ABBEY = [
    *(5.2, 6.5, 6.9, 7.0, 7.0, 7.0, 7.4, 8.0, 8.0, 8.0, 8.0, 8.5, 9.0, 9.0, 10.0, 11.0, 11.0),
    *(12.0, 12.0, 13.7, 14.0, 14.0, 14.0, 16.0, 17.0, 17.0, 18.0, 24.0, 28.0, 34.0, 125.0),
]
CHEM = [
    *(2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95),
    *(3.77, 3.4, 2.2, 3.5, 3.6, 3.7, 3.7),
]


@pytest.mark.parametrize(
    ("values", "count", "mean", "sd", "median", "mad"),
    [
        (ABBEY, 31, 16.006452, 21.269069, 11, 4.4478),
        (CHEM, 24, 4.280417, 5.297396, 3.385, 0.526323),
    ],
)
def test_the_published_data_are_typed_as_published(
    values: list[float], count: int, mean: float, sd: float, median: float, mad: float
) -> None:
    """Number, mean, sd, median and scaled MAD are those of the data."""
    centre = mean_of(values)

    assert (count, median) == (centre.count, np.median(values))
    assert pytest.approx((mean, sd), abs=1e-6) == (centre.value, centre.spread)
    assert pytest.approx(mad, abs=1e-5) == scaled_mad(values)


@pytest.mark.parametrize(
    ("values", "location", "scale"),
    [(ABBEY, 11.731517, 5.258493), (CHEM, 3.205498, 0.673653)],
)
def test_proposal_2_gives_the_printed_figures(
    values: list[float], location: float, scale: float
) -> None:
    """Venables and Ripley print 11.73 and 5.26, 3.205 and 0.674; further digits recomputed."""
    centre = huber_proposal_2(values)

    assert pytest.approx((location, scale), abs=1e-5) == (centre.value, centre.spread)


@pytest.mark.parametrize(("values", "location"), [(ABBEY, 11.551363), (CHEM, 3.206724)])
def test_the_location_with_the_mad_gives_the_printed_figures(
    values: list[float], location: float
) -> None:
    """3.206724 stands in the public documentation of a statistics library; 11.551363 recomputed."""
    assert pytest.approx(location, abs=1e-5) == huber_location(values).value


def _random_set(seed: int) -> np.ndarray:
    rng = np.random.default_rng([seed, 3])
    values = 10 ** rng.uniform(-6, 3) * (5 + rng.standard_t(2, int(rng.integers(6, 40))))
    return values.round(12)


@pytest.mark.parametrize("seed", range(20))
def test_another_library_finds_the_same(seed: int) -> None:
    """Heavy-tailed sets of any scale: proposal 2 and the location with MAD agree to 1e-7."""
    values = _random_set(seed)
    location, scale = Huber(c=1.5, tol=1e-12, maxiter=1000)(values / np.abs(values).max())
    with_mad = estimate_location(
        values, scaled_mad(values), norm=HuberT(1.5), tol=1e-12 * scaled_mad(values), maxiter=1000
    )
    ours = huber_proposal_2(values)

    assert pytest.approx((float(location), float(scale)), rel=1e-7) == (
        ours.value / np.abs(values).max(),
        ours.spread / np.abs(values).max(),
    )
    assert pytest.approx(float(with_mad), rel=1e-7) == huber_location(values).value


def test_the_consistency_constant_is_the_published_one() -> None:
    """0.778465 for k = 1.5, and the closed form agrees with the integral."""
    assert pytest.approx(0.778465, abs=5e-7) == consistency()
    assert pytest.approx(moment(2, 0, 1, 0), abs=1e-10) == consistency()


def test_one_wild_value_in_five_does_what_theory_says_and_no_more() -> None:
    """Far out on one side, both are within 0.02 sd of the integral, however far."""
    values = np.random.default_rng(5).standard_normal(100_000)
    for distance in (50.0, 1e9):
        values[:20_000] = distance
        joint, with_mad = huber_proposal_2(values), huber_location(values)

        assert pytest.approx(proposal_2(0.2), abs=0.02) == (joint.value, joint.spread)
        assert pytest.approx(location_with_mad(0.2), abs=0.02) == (with_mad.value, with_mad.spread)


def test_a_known_scale_lets_three_values_outvote_a_wild_one() -> None:
    """Three near 5 and one at 500: the wild one pulls by half a scale, 1.5 over the other three."""
    centre = huber_location([4.9, 5.0, 5.1, 500.0], scale=0.1)

    assert pytest.approx(5.0 + 1.5 * 0.1 / 3) == centre.value
    assert 1 == centre.pulled_in
    assert centre.sd > 0.1 / math.sqrt(3)


@pytest.mark.parametrize("known", [True, False])
def test_the_sd_of_the_location_holds_for_normal_errors(known: bool) -> None:
    """Over 1,500 sets of twelve the claimed variance is the observed, or up to 40 % more."""
    draws = np.random.default_rng(8).standard_normal((1500, 12))
    centres = [huber_location(draw, 1.0) if known else huber_proposal_2(draw) for draw in draws]
    observed = np.var([centre.value for centre in centres])
    claimed = np.mean([centre.sd**2 for centre in centres])

    assert 0.95 < claimed / observed < 1.4


def test_the_robust_pool_of_clean_duplicates_has_no_bias() -> None:
    """Forty pairs, 2,000 times: the mean sd is the true one within 1 %."""
    draws = np.random.default_rng(9).standard_normal((2000, 40, 2))

    assert pytest.approx(1.0, abs=0.01) == np.mean([robust_pooled_sd(draw).sd for draw in draws])


def test_a_wild_value_on_one_stream_in_ten_does_not_rule_the_pool() -> None:
    """The sd is within 3 % of the integral's 1.19, where the plain one runs away."""
    draws = np.random.default_rng(10).standard_normal((8000, 2))
    draws[::10, 0] = 1e4

    assert pytest.approx(1.19, abs=0.005) == scale_of_differences(0.1)
    assert pytest.approx(scale_of_differences(0.1), rel=0.03) == robust_pooled_sd(draws).sd
    assert pooled_sd(draws).sd > 1000


def test_the_robust_pool_solves_its_equation() -> None:
    """The sum of what is cut off equals 0.778465 s² times the weights, pairs and triples mixed."""
    streams = [[1.0, 1.1], [2.0, 2.4, 2.1], [5.0, 5.05], [3.0, 9.0], [4.0, 4.2, 4.1, 4.3], [8.0]]
    pool = robust_pooled_sd(streams)
    left = sum(
        2 / len(s) * min((a - b) ** 2 / 2, (1.5 * pool.sd) ** 2)
        for s in streams
        for i, a in enumerate(s)
        for b in s[:i]
    )

    assert pytest.approx(0.7784652161744701 * pool.sd**2 * 8, rel=1e-9) == left
    assert (8, 13, 5) == (pool.degrees_of_freedom, pool.replicates, pool.streams)


def test_a_relative_robust_pool_does_not_depend_on_the_level() -> None:
    """Each stream multiplied by anything leaves the relative sd as it was."""
    streams = [[1.0, 1.1], [2.0, 2.4, 2.1], [5.0, 5.05], [3.0, 3.3]]
    moved = [[10.0**i * x for x in stream] for i, stream in enumerate(streams)]

    expected = robust_pooled_sd(streams, relative=True)

    assert pytest.approx(expected.sd) == robust_pooled_sd(moved, relative=True).sd
    assert pytest.approx(2 * expected.sd) == expected.of_one(2.0)


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.integers(-40, 40), min_size=5, max_size=12),
    st.floats(1e-6, 1e6),
    st.floats(-100, 100),
)
def test_shift_and_unit_do_not_matter(steps: list[int], unit: float, shift: float) -> None:
    """Rounded values with many ties: location and scale move as the values do, and never fail."""
    values = np.array(steps) / 10
    moved = unit * (values + shift)
    for estimate in (huber_proposal_2, huber_location):
        one, other = estimate(values), estimate(moved)
        tolerance = 1e-6 * unit

        assert pytest.approx(unit * (one.value + shift), abs=tolerance) == other.value
        assert pytest.approx(unit * one.spread, abs=tolerance) == other.spread
        assert pytest.approx(unit * one.sd, rel=1e-4, abs=tolerance) == other.sd
        assert values.min() <= one.value <= values.max()


def test_values_mostly_identical_have_no_robust_spread() -> None:
    """Nine alike and one off: the scale is zero and the location is the nine's."""
    for estimate in (huber_proposal_2, huber_location):
        centre = estimate([5.0] * 9 + [5.1])

        assert (5.0, 0.0, 0.0) == (centre.value, centre.spread, centre.sd)
    assert 0 == robust_pooled_sd([[5.0, 5.0]] * 9 + [[5.0, 5.1]]).sd


def test_a_scale_much_too_small_does_not_make_the_location_sure() -> None:
    """Two values on either side of a gap: the sd of the middle is half the gap, not the scale."""
    centre = huber_location([0.0, 0.0, 10.0, 10.0], scale=0.001)

    assert (5.0, 5.0) == (centre.value, centre.sd)


@pytest.mark.parametrize(
    ("argument", "call"),
    [
        ("values", lambda: huber_proposal_2([1.0, 2.0, 3.0, 50.0])),
        ("values", lambda: huber_location([1.0, 2.0])),
        ("values", lambda: huber_location([], scale=1.0)),
        ("scale", lambda: huber_location([1.0, 2.0, 3.0], scale=0.0)),
        ("values", lambda: scaled_mad([1.0, math.nan, 2.0])),
        ("streams", lambda: robust_pooled_sd([[1.0], [2.0]])),
        ("streams", lambda: robust_pooled_sd([[0.0, 0.0]], relative=True)),
    ],
)
def test_too_little_for_a_robust_estimate_is_refused(argument: str, call) -> None:
    """The exception names the argument."""
    with pytest.raises(UnusableErrorInput) as refusal:
        call()

    assert argument == refusal.value.argument


def test_four_values_cannot_hold_a_wild_one_under_proposal_2() -> None:
    """With n values a cut-off one asks for 2.25 n/(n-1) of 0.778465 (n-1) squared scales."""
    room = {n: 0.778465 * (n - 1) - 2.25 * n / (n - 1) for n in (4, 5)}

    assert room[4] < 0 < room[5]
    near, far = (huber_proposal_2([1.0, 1.1, 0.9, 1.05, wild]) for wild in (100.0, 1e6))
    assert pytest.approx(near.spread, rel=1e-9) == far.spread
