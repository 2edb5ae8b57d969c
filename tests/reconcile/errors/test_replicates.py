"""Means and spreads of replicates, against closed forms, another library and simulation."""

import math

import numpy as np
import pytest
import scipy.stats as ss

from reconcile.errors import Pool, UnusableErrorInput, duplicates_sd, mean_of, pooled_sd


def test_the_mean_of_readings_has_the_sd_of_the_guide() -> None:
    """JCGM 100:2008, H.2 (from memory): five voltages, mean 4.9990 V, sd of the mean 0.0032 V."""
    centre = mean_of([5.007, 4.994, 5.005, 4.990, 4.999])

    assert pytest.approx(4.9990, abs=5e-5) == centre.value
    assert pytest.approx(0.0032, abs=5e-5) == centre.sd
    assert 5 == centre.count


@pytest.mark.parametrize(("count", "sd"), [(1, 0.2), (4, 0.1)])
def test_a_pooled_spread_falls_with_the_root_of_the_number(count: int, sd: float) -> None:
    """One value has the pooled sd over the root of 1, four have half of it."""
    assert pytest.approx(sd) == mean_of([3.0] * count, spread=0.2).sd
    assert pytest.approx(sd) == Pool(0.2, False, 9, 12, 3).of_mean(3.0, count)


def test_the_pooled_sd_is_the_residual_sd_of_one_way_analysis() -> None:
    """The pooled variance is the mean square within groups, as the F of an analysis of variance."""
    streams = [[1.0, 1.2, 0.9], [5.1, 4.8], [3.0, 3.3, 3.1, 2.7]]
    sizes, means = [len(s) for s in streams], [np.mean(s) for s in streams]
    grand = np.average(means, weights=sizes)
    between = sum(n * (m - grand) ** 2 for n, m in zip(sizes, means, strict=True)) / 2
    within = between / ss.f_oneway(*streams).statistic

    pool = pooled_sd([*streams, [7.0]])

    assert pytest.approx(math.sqrt(within), rel=1e-12) == pool.sd
    assert (6, 9, 3) == (pool.degrees_of_freedom, pool.replicates, pool.streams)


def test_the_sd_of_duplicates_is_worked_out_by_hand() -> None:
    """Differences 0.3, 0.4 and 0: the root of 0.25 over 6; relative, each by its own mean."""
    pairs = [(1.0, 1.3), (2.4, 2.0), (5.0, 5.0)]

    assert pytest.approx(math.sqrt(0.25 / 6)) == duplicates_sd(pairs).sd
    by_hand = math.sqrt(((0.3 / 1.15) ** 2 + (0.4 / 2.2) ** 2) / 6)
    assert pytest.approx(by_hand) == duplicates_sd(pairs, relative=True).sd


@pytest.mark.parametrize("relative", [False, True])
def test_the_pooled_variance_has_no_bias(relative: bool) -> None:
    """Over 4,000 sets of six pairs and triples the mean variance is the true one within 3 se."""
    rng = np.random.default_rng(20)
    levels = np.array([1.0, 3.0, 10.0, 2.0, 8.0, 5.0])
    variances = []
    for _ in range(4000):
        noise = 0.02 * rng.standard_normal((6, 3))
        rows = levels[:, None] * (1 + noise) if relative else levels[:, None] + noise
        streams = [row[: 2 + i % 2] for i, row in enumerate(rows)]
        variances.append(pooled_sd(streams, relative=relative).sd ** 2)
    mean, error = np.mean(variances), np.std(variances) / math.sqrt(len(variances))

    assert abs(mean - 0.02**2) < 3 * error
    assert error < 0.01 * 0.02**2


def test_replicates_that_agree_have_no_spread() -> None:
    """Nothing is added to what was read; rounding is for the caller to join."""
    assert 0 == mean_of([0.1, 0.1, 0.1]).sd
    assert 0 == pooled_sd([[0.1, 0.1], [2.0, 2.0]]).sd


@pytest.mark.parametrize(
    ("argument", "call"),
    [
        ("values", lambda: mean_of([1.0])),
        ("values", lambda: mean_of([])),
        ("values", lambda: mean_of([1.0, math.nan])),
        ("values", lambda: mean_of([1.0, math.inf], spread=1)),
        ("spread", lambda: mean_of([1.0], spread=-1)),
        ("streams", lambda: pooled_sd([[1.0], [2.0]])),
        ("streams", lambda: pooled_sd([])),
        ("streams", lambda: pooled_sd([[-1.0, 1.0]], relative=True)),
        ("pairs", lambda: duplicates_sd([[1.0, 2.0, 3.0]])),
        ("count", lambda: Pool(1.0, False, 1, 2, 1).of_mean(1.0, 0)),
    ],
)
def test_what_shows_no_spread_is_refused(argument: str, call) -> None:
    """The exception names the argument and says what is wrong in words."""
    with pytest.raises(UnusableErrorInput) as refusal:
        call()

    assert argument == refusal.value.argument
    assert refusal.value.what.endswith(".")
