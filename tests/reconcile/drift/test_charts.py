"""Cumulative sums and windows, beside what they should be by hand and by trying everything."""

import numpy as np
import pytest

from reconcile.evidence.drift.charts import (
    SHORTEST,
    Scores,
    closed_windows,
    interval_of_start,
    open_windows,
    profile,
    sums_of,
)


def scores(seed: int = 3, shifts: int = 30, instruments: int = 2) -> Scores:
    rng = np.random.default_rng(seed)
    information = rng.uniform(0.3, 0.9, (shifts, instruments))
    information[rng.random(information.shape) < 0.15] = 0.0
    return Scores(np.sqrt(information) * rng.standard_normal(information.shape), information)


def test_sums_by_hand() -> None:
    """Each adds what is above the allowance, and rests at zero; a gap changes nothing."""
    z = np.array([[1.0], [2.0], [np.nan], [-3.0], [-1.0]])

    found = sums_of(z, 0.5)

    assert [0.5, 2.0, 2.0, 0.0, 0.0] == found.upper[:, 0].tolist()
    assert [0.0, 0.0, 0.0, 2.5, 3.0] == found.lower[:, 0].tolist()
    assert [3.0] == found.peak.tolist()
    assert [1] == found.first_above(1.9).tolist()
    assert [5] == found.first_above(9.0).tolist()


def course(start: int, stop: int, *, ramp: bool) -> np.ndarray:
    t = np.arange(start, stop)
    return (t + 1 - start) / (stop - start) if ramp else np.ones(len(t))


def test_a_window_that_ends_is_the_best_of_all() -> None:
    """A jump of two sd from shift 8 to 20, beside every start and end that there is."""
    given = scores(5)
    given.score[8:20, 0] += 2 * given.information[8:20, 0]
    found = closed_windows(given, (9, 18))

    every = {
        (start, stop): profile(given, 0, stop, ramp=False)[0][start]
        for stop in range(10, 31)
        for start in range(min(stop, 19))
    }
    best = max(every, key=every.__getitem__)
    assert best == (found.start[0], found.stop[0])
    assert pytest.approx(every[best]) == found.gain[0]


@pytest.mark.parametrize("ramp", [False, True])
@pytest.mark.parametrize("stop", [20, 30])
def test_a_profile_is_the_likelihood_ratio_of_every_start(stop: int, ramp: bool) -> None:
    """Twice the log likelihood ratio of the best size, start by start, summed out."""
    given = scores()
    gain, information = profile(given, 1, stop, ramp=ramp)

    for start in range(stop):
        f = course(start, stop, ramp=ramp)
        u = (f * given.score[start:stop, 1]).sum()
        i = (f**2 * given.information[start:stop, 1]).sum()
        seen = (given.information[start:stop, 1] > 0).sum()
        assert pytest.approx(i, rel=1e-9, abs=1e-12) == information[start]
        expected = u**2 / i if seen >= SHORTEST else -np.inf
        assert pytest.approx(expected, rel=1e-9) == gain[start]


def test_lasting_windows_are_the_best_of_all() -> None:
    """The start with the largest gain, for every instrument."""
    given = scores()
    found = open_windows(given, 24)

    for g in range(2):
        gain = profile(given, g, 30, ramp=False)[0][:25]
        assert gain.argmax() == found.start[g]
        assert pytest.approx(gain.max()) == found.gain[g]


def test_the_interval_of_a_start_holds_it_as_often_as_it_says() -> None:
    """95 % of the intervals hold the start of a jump of one sd; 600 series, by binomial error."""
    rng, held, runs = np.random.default_rng(11), 0, 600
    for _ in range(runs):
        start = int(rng.integers(20, 80))
        z = rng.standard_normal((100, 1)) + (np.arange(100) >= start)[:, None]
        gain, information = profile(Scores(z, np.ones_like(z)), 0, 100, ramp=False)
        low, high = interval_of_start(gain, information)
        held += low <= start <= high

    assert 0.95 - 3 * (0.95 * 0.05 / runs) ** 0.5 <= held / runs
