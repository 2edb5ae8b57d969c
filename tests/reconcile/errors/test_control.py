"""Precision from duplicates, blanks and batch bias: simulation and a general optimiser."""

import math

import numpy as np
import pytest
import scipy.stats as ss
from scipy.optimize import minimize

from reconcile.errors import (
    Control,
    ErrorModel,
    UnusableErrorInput,
    batch_bias,
    blank_level,
    precision_from_duplicates,
)


def _duplicates(seed: int, count: int, absolute: float, relative: float) -> np.ndarray:
    """Draw duplicates at levels spread evenly over three decades."""
    rng = np.random.default_rng(seed)
    levels = 10 ** rng.uniform(-1, 2, count)
    sds = np.hypot(absolute, relative * levels)
    return levels[:, None] + sds[:, None] * rng.standard_normal((count, 2))


def test_the_fit_recovers_both_parts() -> None:
    """Three thousand duplicates with 0.05 and 2 %: each part within 5 %."""
    precision = precision_from_duplicates(_duplicates(1, 3000, 0.05, 0.02))

    assert pytest.approx(0.05, rel=0.05) == precision.model.absolute
    assert pytest.approx(0.02, rel=0.05) == precision.model.relative
    assert 3000 == precision.pairs


@pytest.mark.parametrize(("absolute", "relative"), [(0.05, 0.0), (0.0, 0.02)])
def test_a_part_that_is_not_there_is_not_made_up(absolute: float, relative: float) -> None:
    """With one part alone the sd is right within 5 % over all levels, where the other is nought."""
    precision = precision_from_duplicates(_duplicates(2, 3000, absolute, relative))
    for level in (0.3, 3.0, 90.0):
        expected = math.hypot(absolute, relative * level)

        assert pytest.approx(expected, rel=0.08) == precision.model.sd(level)


def test_thirty_duplicates_are_right_on_average() -> None:
    """The mean variance at three levels over 300 sets is the true one within 5 %."""
    fits = [precision_from_duplicates(_duplicates(s, 30, 0.05, 0.02)).model for s in range(300)]
    for level in (0.1, 2.5, 60.0):
        expected = 0.05**2 + (0.02 * level) ** 2

        assert pytest.approx(expected, rel=0.05) == np.mean([fit.sd(level) ** 2 for fit in fits])


@pytest.mark.parametrize("seed", range(4))
def test_a_general_optimiser_finds_the_same_likelihood(seed: int) -> None:
    """The likelihood of normal differences, searched over logarithms, is not better by 1e-6."""
    pairs = _duplicates(seed, 40, 0.05, 0.02)
    halves = (pairs[:, 0] - pairs[:, 1]) ** 2 / 2
    levels = pairs.mean(axis=1)

    def loss(logs: np.ndarray) -> float:
        variances = np.exp(2 * logs[0]) + (np.exp(logs[1]) * levels) ** 2
        return float((np.log(variances) + halves / variances).sum() / 2)

    best = minimize(loss, np.log([0.03, 0.03]), method="Nelder-Mead", options={"fatol": 1e-12})
    model = precision_from_duplicates(pairs).model

    assert loss(np.log([model.absolute, model.relative])) < best.fun + 1e-6


def test_duplicates_that_agree_have_no_error() -> None:
    """Identical pairs at different levels: both parts are zero, as read."""
    assert ErrorModel(0.0, 0.0) == precision_from_duplicates([(i, i) for i in (1, 2, 3)]).model


@pytest.mark.parametrize("unit", [1e-6, 1e4])
def test_the_unit_does_not_matter(unit: float) -> None:
    """Parts scale as the values do: the absolute with them, the relative not at all."""
    pairs = _duplicates(5, 50, 0.05, 0.02)
    one, other = precision_from_duplicates(pairs), precision_from_duplicates(unit * pairs)

    assert pytest.approx(unit * one.model.absolute, rel=1e-6) == other.model.absolute
    assert pytest.approx(one.model.relative, rel=1e-6) == other.model.relative
    assert pytest.approx((unit * one.lowest, unit * one.highest)) == (other.lowest, other.highest)


def test_a_blank_sets_the_detection_limit() -> None:
    """Mean plus three sds of one blank, by hand: 0.02 and 0.01 give 0.05."""
    blank = blank_level([0.01, 0.02, 0.03])

    assert pytest.approx((0.02, 0.01 / math.sqrt(3))) == (blank.level.value, blank.level.sd)
    assert pytest.approx(0.05) == blank.detection_limit


def test_one_control_read_four_times_is_worked_out_by_hand() -> None:
    """The certified error stays whole, that of the readings is halved: sqrt(3² + 8²/4) = 5."""
    bias = batch_bias([Control(100.0, 3.0, (108.0, 112.0, 110.0, 110.0))], ErrorModel(8.0, 0.0))

    assert pytest.approx((10.0, 5.0, 2.0)) == (bias.value, bias.sd, bias.z)
    assert bias.p_one_bias is None


def test_two_controls_are_weighted_by_their_precision() -> None:
    """Biases 2 ± 1 and 7 ± 2: (2 + 7/4)/(5/4) = 3, sd sqrt(4/5), chi-square 1 + 4 = 5."""
    controls = [Control(50.0, 0.0, (52.0,)), Control(50.0, math.sqrt(3), (57.0,))]
    bias = batch_bias(controls, ErrorModel(1.0, 0.0))

    assert pytest.approx((3.0, math.sqrt(0.8))) == (bias.value, bias.sd)
    assert pytest.approx(2 * ss.norm.sf(math.sqrt(5))) == bias.p_one_bias


@pytest.mark.parametrize("relative", [False, True])
def test_the_bias_is_found_with_the_error_it_claims(relative: bool) -> None:
    """2,000 batches: mean within 3 se of the truth, z of what is left within 3 se of normal."""
    rng = np.random.default_rng(7)
    truth, model = 0.03, ErrorModel(0.1, 0.01)
    certified = np.array([2.0, 10.0, 40.0])
    left = []
    for _ in range(2000):
        true = certified + 0.05 * rng.standard_normal(3)
        shifted = true * (1 + truth) if relative else true + truth
        noise = np.array([model.sd(c) for c in certified])[:, None] * rng.standard_normal((3, 2))
        controls = [
            Control(c, 0.05, tuple(row))
            for c, row in zip(certified, shifted[:, None] + noise, strict=True)
        ]
        bias = batch_bias(controls, model, relative=relative)
        left.append((bias.value - truth) / bias.sd)

    assert abs(np.mean(left)) < 3 / math.sqrt(2000)
    assert abs(np.var(left) - 1) < 3 * math.sqrt(2 / 2000)


NONE = ErrorModel()


@pytest.mark.parametrize(
    ("argument", "call"),
    [
        ("pairs", lambda: precision_from_duplicates([(1, 2), (3, 4)])),
        ("pairs", lambda: precision_from_duplicates([(1, 2, 3)] * 5)),
        ("pairs", lambda: precision_from_duplicates([(1, 3), (2, 2), (3, 1)])),
        ("pairs", lambda: precision_from_duplicates([(1, math.nan), (2, 2), (3, 1)])),
        ("pairs", lambda: precision_from_duplicates([(0, 0), (2, 2.1), (3, 1)])),
        ("values", lambda: blank_level([0.1])),
        ("controls", lambda: batch_bias([], ErrorModel(1.0))),
        ("values", lambda: batch_bias([Control(1.0, 0.1, ())], ErrorModel(1.0))),
        ("certified_sd", lambda: batch_bias([Control(1.0, -0.1, (1.0,))], ErrorModel(1.0))),
        ("precision", lambda: batch_bias([Control(1.0, 0.0, (1.0,))], NONE)),
        (
            "certified",
            lambda: batch_bias([Control(0.0, 0.1, (1.0,))], ErrorModel(1.0), relative=True),
        ),
    ],
)
def test_what_tells_nothing_is_refused(argument: str, call) -> None:
    """The exception names the argument."""
    with pytest.raises(UnusableErrorInput) as refusal:
        call()

    assert argument == refusal.value.argument
