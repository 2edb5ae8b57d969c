"""Are the stated sds right: the likelihood by another road, and what cannot be told."""

import numpy as np
import pytest
from scipy.optimize import minimize

from reconcile.evidence.drift.residuals import Instruments, Residuals
from reconcile.evidence.drift.variances import components, spreads, tellable_of

from .series import Array, frame, residuals

ALONE = Instruments(np.arange(6), 6)


def drawn(ratio: Array, shifts: int, seed: int) -> Residuals:
    rng = np.random.default_rng(seed)
    errors = np.sqrt(ratio) * rng.standard_normal((shifts, len(ratio)))
    return residuals(frame(len(ratio), 4, 5), errors)


def deviance(given: Residuals, ratio: Array) -> float:
    """Give minus twice the log likelihood, shift by shift and with nothing clever."""
    basis = given.bases[0]
    covariance = basis.T @ np.diag(ratio) @ basis
    inverse, size = np.linalg.inv(covariance), np.linalg.slogdet(covariance)[1]
    return float(sum(size + w @ inverse @ w for w in given.w))


def test_the_estimate_is_the_maximum_of_the_likelihood() -> None:
    """A general optimiser on the plain likelihood ends at the same ratios."""
    given = drawn(np.array([1.0, 4.0, 0.5, 1.0, 2.0, 1.0]), 150, 1)

    found = components(given, ALONE, np.arange(6))
    other = minimize(lambda log: deviance(given, np.exp(log)), np.zeros(6), method="BFGS", tol=1e-9)

    assert pytest.approx(np.exp(other.x), rel=2e-3) == found.ratio
    assert pytest.approx(-other.fun, abs=1e-6) == found.likelihood


def test_those_not_free_stay_as_stated() -> None:
    """Only the ratios asked for move; the others are one and have no sd."""
    found = components(drawn(np.array([1, 9, 1, 1, 1, 1.0]), 200, 2), ALONE, np.array([1]))

    assert [1.0] * 5 == np.delete(found.ratio, 1).tolist()
    assert np.isnan(np.delete(found.sd, 1)).all()
    assert pytest.approx(9.0, abs=4 * found.sd[1]) == found.ratio[1]


def test_the_sd_of_an_estimate_is_the_information_in_closed_form() -> None:
    """One instrument alone, as stated: the sd of the variance ratio is √(2 / n) / r."""
    basis = frame(6, 4, 5)
    given = residuals(basis, np.zeros((200, 6)))
    exact = Residuals(np.zeros((200, 4)), given.bases, given.of)
    r = basis[2] @ basis[2]
    # A scatter that is just what the stated sds let expect.
    exact.__dict__["scatter"] = 200 * np.eye(4)[None]

    found = components(exact, ALONE, np.array([2]))

    assert pytest.approx(1.0) == found.ratio[2]
    assert pytest.approx((2 / 200) ** 0.5 / r) == found.sd[2]


def test_estimates_scatter_as_their_sds_say() -> None:
    """Over 200 series, the mean and the spread of all estimates; by chi-square errors."""
    ratio = np.array([1.0, 2.0, 1.0, 1.0, 0.5, 1.0])
    found = [components(drawn(ratio, 400, seed), ALONE, np.arange(6)) for seed in range(200)]
    ratios, sds = np.array([f.ratio for f in found]), np.array([f.sd for f in found])

    spread = ratios.std(axis=0)
    assert (np.abs(ratios.mean(axis=0) - ratio) < 4 * spread / 200**0.5).all()
    assert (np.abs(spread / np.median(sds, axis=0) - 1) < 4 / 400**0.5).all()


def test_two_readings_of_one_thing_cannot_be_told_apart() -> None:
    """Only the sum of their variances shows, so neither is given."""
    basis = np.array([[1.0], [-1.0]]) / 2**0.5
    given = residuals(basis, np.random.default_rng(3).standard_normal((100, 2)))
    pair = Instruments(np.arange(2), 2)

    found = components(given, pair, np.arange(2))

    assert [False, False] == found.separable.tolist()
    assert 1 == len(tellable_of(given, pair, np.arange(2)))


def test_what_is_told_too_loosely_is_taken_as_stated() -> None:
    """Ten shifts of a reading that is hardly checked tell nothing about its sd; 10,000 do."""
    rows = frame(6, 5, 8)
    rows[5] *= 0.3
    basis = np.linalg.qr(rows)[0]
    few, many = (residuals(basis, np.zeros((n, 6))) for n in (10, 10_000))

    assert 5 not in tellable_of(few, ALONE, np.arange(6))
    assert 5 in tellable_of(many, ALONE, np.arange(6))


def test_the_readings_of_an_instrument_share_a_ratio() -> None:
    """Three readings by one instrument: one ratio, known better than any of them alone."""
    ratio = np.array([4.0, 4.0, 4.0, 1.0, 1.0, 1.0])
    given, together = drawn(ratio, 300, 4), Instruments(np.array([0, 0, 0, 1, 2, 3]), 4)

    one = components(given, together, np.array([0]))
    apart = components(given, ALONE, np.array([0, 1, 2]))

    assert pytest.approx(4.0, abs=4 * one.sd[0]) == one.ratio[0]
    assert one.sd[0] < apart.sd[:3].min()


def test_spreads_are_mean_squares_of_standardised_residuals() -> None:
    """One reading each: the mean of z², over as many squares as shifts."""
    given = drawn(np.ones(6), 80, 6)
    z = given.w @ given.bases[0].T / np.sqrt(given.redundancy[0])

    spread, count = spreads(given, ALONE)

    assert pytest.approx((z**2).mean(axis=0)) == spread
    assert pytest.approx([80.0] * 6) == count
