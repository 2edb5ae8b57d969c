"""How long charts run: published tables, a Markov chain, a closed form and a simulation."""

import numpy as np
import pytest
from scipy.stats import norm

from reconcile.evidence.drift.run_length import Chart, chart_for, siegmund, together

PUBLISHED = [(4.0, 0.0, 168), (4.0, 1.0, 8.38), (5.0, 0.0, 465), (5.0, 1.0, 10.4)]
"""Limit, mean, average run length of both sides together, for k = 0.5: Montgomery, Introduction to
Statistical Quality Control, chapter on cumulative sums; Hawkins and Olwell 1998 (quoted from
memory)."""


def brook_and_evans(chart: Chart, mean: float, states: int) -> float:
    """Give the average run length of one side by a Markov chain over a grid."""
    width = 2 * chart.limit / (2 * states - 1)
    here, there = np.arange(states)[:, None], np.arange(states)[None, :]
    shift = chart.allowance - mean
    upper = norm.cdf((there - here) * width + width / 2 + shift)
    lower = norm.cdf((there - here) * width - width / 2 + shift)
    chances = np.where(there == 0, upper, upper - lower)
    return float(np.linalg.solve(np.eye(states) - chances, np.ones(states))[0])


@pytest.mark.parametrize(("limit", "mean", "expected"), PUBLISHED)
def test_run_lengths_are_those_of_the_published_tables(
    limit: float, mean: float, expected: float
) -> None:
    """Both sides together, in control and at a shift of one sd, to the digits printed."""
    assert pytest.approx(expected, rel=2.5e-3) == Chart(0.5, limit).average_of_both(mean)


@pytest.mark.parametrize("mean", [-0.5, 0.0, 0.7, 2.0])
@pytest.mark.parametrize("limit", [1.5, 4.0, 9.0])
def test_run_lengths_are_those_of_a_markov_chain(limit: float, mean: float) -> None:
    """The chain of Brook and Evans, its error of second order taken out (Richardson)."""
    chart = Chart(0.5, limit)
    coarse, fine = (brook_and_evans(chart, mean, states) for states in (201, 401))
    ratio = (801 / 401) ** 2  # of the squares of the two widths
    expected = (ratio * fine - coarse) / (ratio - 1)

    assert pytest.approx(expected, rel=2e-5) == chart.average(mean)


@pytest.mark.parametrize(("mean", "limit"), [(0.0, 4.0), (1.0, 5.0), (0.5, 5.0), (0.0, 8.0)])
def test_run_lengths_are_near_the_closed_form(mean: float, limit: float) -> None:
    """Siegmund's approximation (1985) is good to two per cent there."""
    assert pytest.approx(siegmund(0.5, limit, mean), rel=0.02) == Chart(0.5, limit).average(mean)


@pytest.mark.parametrize("design", [0.2, 0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("average", [50.0, 370.0, 1e4, 1e7])
def test_a_chart_runs_as_long_as_was_asked(design: float, average: float) -> None:
    """Both sides together alarm once in so many shifts."""
    chart = chart_for(average, design)

    assert design / 2 == chart.allowance
    assert pytest.approx(average, rel=1e-6) == chart.average_of_both()


def test_chances_add_up_to_the_average() -> None:
    """The sum of the chances of no alarm is the mean of the run length."""
    chart = Chart(0.5, 3.0)

    assert pytest.approx(chart.average(0.4), rel=1e-9) == 1 + chart.quiet(2000, 0.4).sum()


def test_chances_after_a_quiet_start_are_those_of_a_simulation() -> None:
    """The chance of no alarm within eight shifts of a bias that follows on twenty without one."""
    rng, runs, chart = np.random.default_rng(7), 40_000, Chart(0.5, 4.0)
    z = rng.standard_normal((runs, 28))
    z[:, 20:] += 1.0
    total, alarmed = np.zeros(runs), np.full(runs, 28)
    for t in range(28):
        total = np.maximum(0.0, total + z[:, t] - chart.allowance)
        alarmed = np.where((total > chart.limit) & (alarmed == 28), t, alarmed)
    sound = alarmed >= 20
    share = float((alarmed[sound] == 28).mean())

    expected = chart.quiet(8, 1.0, before=20)[-1]
    assert (
        pytest.approx(expected, abs=4 * (expected * (1 - expected) / sound.sum()) ** 0.5) == share
    )


def test_many_charts_together_run_as_long_as_one_was_to() -> None:
    """Rates of alarm add, so each of ten charts runs ten times as long."""
    assert 5000.0 == together(500.0, 10)
