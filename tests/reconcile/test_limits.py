"""
Readings below detection and above range: a likelihood, not a number.

A reading "below L" costs ``-2 log Φ((L - x) / sd)``, one "above L" the mirror image: the chance of
such a reading given the true value (Tobin 1958; Helsel 2012, chapter 2, against substitution).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize as so
from numpy.typing import NDArray
from scipy.special import log_ndtr

from reconcile import InvalidInput, Knowledge, Limit, Outcome, Reading, reconcile_balance
from reconcile.balance import Balance, Estimate, Known
from tests.flowsheets import separator

Array = NDArray[np.float64]

SHEET = separator(("WO3",))
MASSES = (
    Reading("feed", "mass", 100.0, 0.0),
    Reading("concentrate", "mass", 40.0, 0.0),
)
"""Fixed masses make the grades a linear problem: feed = 0.4 concentrate + 0.6 tailing."""

DETECTION = 0.0005
"""Limit of 0.05 %; the analysis has a third of it as its sd there."""

AT_LIMIT = DETECTION / 3
TRUTH = 0.0002
"""True tailing grade, 0.02 %."""

FEED, CONCENTRATE = 0.003, (0.003 - 0.6 * TRUTH) / 0.4
FEED_SD, CONCENTRATE_SD = 0.00004, 0.0001


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


def grades(feed: float, concentrate: float) -> list[Reading]:
    """Read feed and concentrate."""
    return [
        *MASSES,
        Reading("feed", "WO3", feed, FEED_SD),
        Reading("concentrate", "WO3", concentrate, CONCENTRATE_SD),
    ]


def below(limit: float = DETECTION, sd: float = AT_LIMIT) -> Reading:
    """Give the tailing's reading below a limit."""
    return Reading("tailing", "WO3", limit, sd, limit=Limit.BELOW)


def above(limit: float, sd: float) -> Reading:
    """Give the tailing's reading above a limit."""
    return Reading("tailing", "WO3", limit, sd, limit=Limit.ABOVE)


# --- against a general optimiser ------------------------------------------------------------


def _optimum(feed: float, concentrate: float, reading: Reading) -> tuple[Array, Array, float]:
    """
    Minimise the same statement: concentrate and tailing, their errors, the squares alone.

    Errors from the curvature of the objective, which is a sum of one-dimensional convex terms.
    """
    side = 1.0 if reading.limit is Limit.BELOW else -1.0
    scale = np.array([CONCENTRATE_SD, AT_LIMIT])
    rows = np.array([[0.4, 0.6], [1.0, 0.0]]) / np.array([[FEED_SD], [CONCENTRATE_SD]])
    target = np.array([feed / FEED_SD, concentrate / CONCENTRATE_SD])

    def excess(x: Array) -> float:
        return side * (x[1] - reading.value) / reading.sd

    def objective(z: Array) -> float:
        x = z * scale
        return float(((rows @ x - target) ** 2).sum() - 2 * log_ndtr(-excess(x)))

    def hazard(e: float) -> float:
        return float(np.exp(-0.5 * e**2 - log_ndtr(-e)) / np.sqrt(2 * np.pi))

    def slope(z: Array) -> Array:
        x = z * scale
        lean = 2 * side * hazard(excess(x)) / reading.sd
        return np.asarray((2 * rows.T @ (rows @ x - target) + [0.0, lean]) * scale)

    first = np.linalg.solve(rows, target) / scale
    answer = so.minimize(objective, first, jac=slope, method="BFGS", options={"gtol": 1e-9})
    x = answer.x * scale
    e = excess(x)
    information = rows.T @ rows
    information[1, 1] += hazard(e) * (hazard(e) - e) / reading.sd**2
    squares = float(((rows @ x - target) ** 2).sum())
    return x, np.sqrt(np.diag(np.linalg.inv(information))), squares


@pytest.mark.parametrize("implied", [0.0001, 0.0003, 0.0005, 0.0008, 0.0012])
def test_a_reading_below_a_limit_is_a_censored_likelihood(implied: float) -> None:
    """Whatever tailing the other readings imply, values and errors are the optimiser's."""
    feed = 0.4 * CONCENTRATE + 0.6 * implied
    expected, errors, squares = _optimum(feed, CONCENTRATE, below())

    balance = reconcile_balance(SHEET, [*grades(feed, CONCENTRATE), below()])

    assert Outcome.CLOSED is balance.outcome
    found = [known(balance.assays[s, "WO3"]) for s in ("concentrate", "tailing")]
    np.testing.assert_allclose([value for value, _ in found], expected, rtol=1e-6)
    np.testing.assert_allclose([sd for _, sd in found], errors, rtol=1e-5)
    assert balance.test is not None
    assert pytest.approx(squares, rel=1e-5, abs=1e-9) == balance.test.statistic


@pytest.mark.parametrize("implied", [0.0003, 0.0006, 0.0009])
def test_a_reading_above_range_is_its_mirror_image(implied: float) -> None:
    """The tailing above 0.06 %, as a general optimiser finds it."""
    feed, reading = 0.4 * CONCENTRATE + 0.6 * implied, above(0.0006, 0.0001)
    expected, errors, _ = _optimum(feed, CONCENTRATE, reading)

    balance = reconcile_balance(SHEET, [*grades(feed, CONCENTRATE), reading])

    found = [known(balance.assays[s, "WO3"]) for s in ("concentrate", "tailing")]
    np.testing.assert_allclose([value for value, _ in found], expected, rtol=1e-6)
    np.testing.assert_allclose([sd for _, sd in found], errors, rtol=1e-5)


def test_a_limit_far_off_changes_nothing() -> None:
    """Ten sds above what the balance says, a limit is no news."""
    readings = grades(FEED, CONCENTRATE)

    without = reconcile_balance(SHEET, readings)
    with_limit = reconcile_balance(SHEET, [*readings, below(TRUTH + 10 * 0.001, 0.001)])

    for key, assay in without.assays.items():
        assert pytest.approx(known(assay), rel=1e-9) == known(with_limit.assays[key])


def test_a_reading_below_a_limit_pulls_down_and_sharpens() -> None:
    """The tailing at the limit by balance: lower, surer, still above zero, closed all the same."""
    readings = grades(0.4 * CONCENTRATE + 0.6 * DETECTION, CONCENTRATE)

    without = known(reconcile_balance(SHEET, readings).assays["tailing", "WO3"])
    balance = reconcile_balance(SHEET, [*readings, below()])

    value, sd = known(balance.assays["tailing", "WO3"])
    assert 0 < value < without[0]
    assert sd < without[1]
    assert all(abs(c.relative) < 1e-9 for c in balance.closure)


# --- against substitution -------------------------------------------------------------------

SUBSTITUTES = {"zero": 0.0, "half the limit": DETECTION / 2, "the limit": DETECTION}


def _draws(count: int, rng: np.random.Generator) -> Iterator[tuple[float, float, float]]:
    """Draw readings of feed, concentrate and tailing, each with its mirror image."""
    for _ in range(count):
        noise = rng.normal(size=3) * (FEED_SD, CONCENTRATE_SD, AT_LIMIT)
        for side in (1, -1):
            feed, concentrate, tailing = np.array([FEED, CONCENTRATE, TRUTH]) + side * noise
            yield float(feed), float(concentrate), float(tailing)


def _estimates(
    draws: list[tuple[float, float, float]], treat: Callable[[], Reading]
) -> list[Balance]:
    """Reconcile draws; a tailing reported below the limit is treated as told, others are kept."""
    return [
        reconcile_balance(
            SHEET,
            [
                *grades(feed, concentrate),
                treat() if tailing < DETECTION else Reading("tailing", "WO3", tailing, AT_LIMIT),
            ],
        )
        for feed, concentrate, tailing in draws
    ]


def _bias(balances: list[Balance]) -> float:
    return float(np.mean([known(b.assays["tailing", "WO3"])[0] for b in balances])) - TRUTH


def _judge_substitution(pairs: int, seed: int) -> None:
    draws = list(_draws(pairs, np.random.default_rng(seed)))
    censored = _estimates(draws, below)
    substituted = {
        name: _bias(_estimates(draws, lambda v=value: Reading("tailing", "WO3", v, AT_LIMIT)))
        for name, value in SUBSTITUTES.items()
    }

    assert {n for n, bias in substituted.items() if abs(bias) <= abs(_bias(censored))} == set()
    # Feed and concentrate alone give the tailing without bias, with an sd of 0.0094 %.
    assert abs(_bias(censored)) < 0.1 * 0.000094
    for balance in censored:
        value = known(balance.assays["tailing", "WO3"])[0]
        assert value >= 0
        assert value != DETECTION
        assert value > 0 or Outcome.CLOSED_WITH_ACTIVE_BOUNDS is balance.outcome


def test_a_censored_reading_is_less_biased_than_any_substitute() -> None:
    """
    Truth 0.02 %, limit 0.05 %: zero, half and the whole limit in its place lead astray, it not.

    30 draws with their mirror images, so that the noise itself cancels.  Never below zero, never
    the limit; zero only where the balance itself is driven onto its bound.
    """
    _judge_substitution(30, 6)


@pytest.mark.study
def test_a_censored_reading_is_less_biased_over_many_draws() -> None:
    """The same over 250 pairs of draws."""
    _judge_substitution(250, 7)


def test_without_noise_the_truth_is_neither_zero_nor_the_limit() -> None:
    """
    Exact feed and concentrate: the tailing stays within a tenth of its sd of 0.02 %.

    First order: down by the hazard φ(1.8) / Φ(1.8) = 0.082 times s² / 0.0167 %, half as much.
    """
    balance = reconcile_balance(SHEET, [*grades(FEED, CONCENTRATE), below()])

    value, sd = known(balance.assays["tailing", "WO3"])
    assert abs(value - TRUTH) < 0.1 * sd
    assert Outcome.CLOSED is balance.outcome


# --- how it counts --------------------------------------------------------------------------


def test_a_limit_counts_neither_in_the_statistic_nor_as_a_degree_of_freedom() -> None:
    """One check with and without the limit; the reference says that it does not count."""
    readings = [*grades(FEED, CONCENTRATE), Reading("tailing", "WO3", 0.0003, 0.0002)]
    readings.append(Reading("feed", "Sn", 0.002, 0.001))
    beside = replace(SHEET, components=("WO3", "Sn"))
    limit = Reading("tailing", "Sn", 0.01, 0.001, limit=Limit.BELOW)

    without = reconcile_balance(beside, readings).test
    with_limit = reconcile_balance(beside, [*readings, limit]).test

    assert without is not None
    assert with_limit is not None
    assert 1 == without.degrees_of_freedom == with_limit.degrees_of_freedom
    assert pytest.approx(without.statistic) == with_limit.statistic
    assert "1 reading is a limit and counts neither" in with_limit.reference
    assert "limit" not in without.reference


def test_a_limit_has_a_weight_and_no_adjustment() -> None:
    """It is no number to be adjusted; its weight says how much it bends the estimate."""
    readings = [*grades(0.4 * CONCENTRATE + 0.6 * DETECTION, CONCENTRATE), below()]

    read = reconcile_balance(SHEET, readings).readings[-1]

    assert read.adjustment is None
    assert read.standardised is None
    assert 0 < read.weight < 1


def test_a_limit_in_another_unit_is_the_same_limit() -> None:
    """Everything of the component a thousandfold gives a thousandfold, weights alike."""
    readings = [*grades(0.4 * CONCENTRATE + 0.6 * 0.0006, CONCENTRATE), below()]
    large = [
        r if r.of == "mass" else replace(r, value=100 * r.value, sd=100 * r.sd) for r in readings
    ]

    first, second = reconcile_balance(SHEET, readings), reconcile_balance(SHEET, large)

    value, sd = known(first.assays["tailing", "WO3"])
    assert pytest.approx((100 * value, 100 * sd), rel=1e-7) == known(
        second.assays["tailing", "WO3"]
    )
    assert pytest.approx(first.readings[-1].weight, rel=1e-6) == second.readings[-1].weight


# --- what a limit cannot tell ---------------------------------------------------------------


@pytest.mark.parametrize("limit", [below(), above(0.0006, 0.0001)])
def test_what_only_a_limit_tells_of_has_no_number(limit: Reading) -> None:
    """
    The tailing is known by a limit alone: unobservable, and so is the concentrate.

    No value is better than one made up; the feed stays as read.
    """
    balance = reconcile_balance(SHEET, [*MASSES, Reading("feed", "WO3", FEED, FEED_SD), limit])

    for stream in ("tailing", "concentrate"):
        assay = balance.assays[stream, "WO3"]
        assert Knowledge.UNOBSERVABLE is assay.knowledge
        assert assay.value is None
        assert assay.sd is None
    assert pytest.approx((FEED, FEED_SD)) == known(balance.assays["feed", "WO3"])
    assert balance.readings[-1].value is None
    assert balance.test is not None
    assert 0 == balance.test.degrees_of_freedom


def test_a_limit_without_an_error_is_refused() -> None:
    """A limit needs the sd of a measurement there."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(SHEET, [*grades(FEED, CONCENTRATE), below(sd=0.0)])

    assert ["fixed-but-uncertain"] == [f.code for f in refused.value.faults]


def test_a_limit_of_a_mass_works_alike() -> None:
    """
    A weigher off the end of its range: the mass is above 50 by balance 49 ± 1, cut at 50 ± 0.5.

    One unknown: ``(x - 49)² / s² - 2 log Φ((x - 50) / 0.5)`` minimised by scipy.
    """
    sd = np.hypot(0.8, 0.6)

    def objective(x: float) -> float:
        return float(((x - 49) / sd) ** 2 - 2 * log_ndtr((x - 50) / 0.5))

    expected = so.minimize_scalar(objective, bounds=(45, 55), options={"xatol": 1e-10}).x
    readings = [
        Reading("feed", "mass", 80.0, 0.8),
        Reading("tailing", "mass", 31.0, 0.6),
        Reading("concentrate", "mass", 50.0, 0.5, limit=Limit.ABOVE),
    ]

    balance = reconcile_balance(separator(), readings)

    assert pytest.approx(expected, rel=1e-7) == balance.masses["concentrate"].value
