"""What a shift leaves over: the engine's own adjustments, and published figures."""

from dataclasses import replace

import numpy as np
import pytest

from reconcile import Knowledge, reconcile_balance
from reconcile.drift import reconcile_series
from reconcile.evidence.drift.residuals import Instruments
from reconcile.evidence.drift.search import grouped
from service.balances.schemas import BalanceRequest
from service.balances.terms.request import terms_of
from tests.flowsheets import bypass_network
from tests.request_files import load
from tests.service.client import EXAMPLES

from .series import bypass, drawn, frame, residuals

BIASED = (101.91, 68.45, 34.65, 64.20, 36.44, 98.88)
"""Readings of the bypass network with stream 2 four too high: Narasimhan and Jordache 2000,
chapters on gross errors."""

MEASUREMENT_TEST = (1.253322, 3.204749, 0.493980, 2.000417, 1.698313, 2.457655)
"""Sizes of the measurement test for these, recomputed from the book's example."""


def test_standardised_residuals_are_the_published_ones() -> None:
    """The measurement test and the global statistic of the biased bypass network."""
    readings = [replace(r, value=v) for r, v in zip(bypass(), BIASED, strict=True)]

    found = reconcile_series(bypass_network(), [readings] * 10)

    assert pytest.approx(16.674167, abs=1e-6) == found.statistics[0]
    assert 4 == found.degrees[0]
    rest = found.residuals
    z = (rest.bases[0] @ rest.w[0]) / np.sqrt(rest.redundancy[0])
    assert pytest.approx(MEASUREMENT_TEST, abs=1e-6) == np.abs(z)
    assert z[1] > 0
    assert pytest.approx([2 / 3] * 6) == rest.redundancy[0]


@pytest.mark.parametrize(
    "name",
    [
        "tin-shed",
        "rougher-cleaner-scavenger",
        "cyclone-with-water",
        "grinding-circuit",
        "mineral-sand",
        "limits-and-shared-errors",
        "stocks-over-three-shifts",
    ],
)
def test_standardised_residuals_are_those_of_the_balance(name: str) -> None:
    """
    Of every redundant reading, by two roads: leverages of the factor, and a basis of the rest.

    Bounds and limits leave a trace in the balance's adjustments that the residuals are free of, so
    only examples without an active bound are held to all digits.
    """
    terms, faults = terms_of(BalanceRequest.model_validate(load(EXAMPLES / f"{name}.json")))
    assert not faults
    balance = reconcile_balance(terms.flowsheet, terms.readings)
    counts = [r.limit is None for r in terms.readings]

    found = reconcile_series(terms.flowsheet, [list(terms.readings)] * 10)

    rest = found.residuals
    r = rest.redundancy[0]
    z = np.divide(rest.bases[0] @ rest.w[0], np.sqrt(r), out=np.zeros(len(r)), where=r > 1e-4)
    exact = not balance.active_bounds and all(counts)
    for k, (reading, told) in enumerate(zip(terms.readings, balance.readings, strict=True)):
        if reading.causes or reading.limit or reading.sd == 0:
            continue
        assert (told.knowledge is Knowledge.REDUNDANT) == (r[k] > 0) or r[k] < 1e-4
        if exact and told.standardised is not None and r[k] > 1e-4:
            assert pytest.approx(-told.standardised, abs=2e-4) == z[k]
    if exact and balance.test is not None:
        assert pytest.approx(balance.test.statistic, rel=1e-6) == found.statistics[0]
        assert balance.test.degrees_of_freedom == found.degrees[0]


def test_signatures_alike_share_a_chart_and_the_unchecked_have_none() -> None:
    """Two readings that differ by sign alone are one group; a row of nothing is none."""
    basis = frame(4, 3, 1)
    basis = np.vstack((basis, -2 * basis[1], np.zeros((1, 3))))
    given = residuals(basis, np.zeros((5, 6)))
    instruments = Instruments(np.arange(6), 6)

    groups = grouped(given, instruments.signatures(given))

    assert groups[1] == groups[4]
    assert -1 == groups[5]
    assert 4 == len(set(groups.tolist()) - {-1})


def test_whitened_residuals_are_standard_normal_again() -> None:
    """Under the variances said to hold, the covariance becomes that of unit errors."""
    basis, ratio = frame(7, 4, 2), np.array([1.0, 4.0, 1.0, 0.3, 1.0, 2.0, 1.0])
    given = residuals(basis, np.eye(7) * np.sqrt(ratio))

    found = given.whitened(ratio)

    assert pytest.approx(np.eye(4)) == found.scatter[0]


def test_a_shift_without_a_direction_is_blind_to_it() -> None:
    """The error of one reading in one shift is left free; the other shifts keep theirs."""
    basis = frame(6, 4, 3)
    given = residuals(basis, np.random.default_rng(1).standard_normal((3, 6)))

    found = given.without(1, basis[2])

    assert pytest.approx(0.0, abs=1e-12) == found.redundancy[1, 2]
    assert pytest.approx(0.0, abs=1e-12) == found.w[1] @ basis[2]
    assert found.w[[0, 2]].tolist() == given.w[[0, 2]].tolist()


def test_gaps_leave_the_other_readings_their_columns() -> None:
    """What was not read in a shift has no row there, and the checks are fewer."""
    readings = bypass()
    shifts = drawn(readings, np.zeros((12, 6)), but={3: [0], 7: [1, 4]})

    found = reconcile_series(bypass_network(), shifts)

    assert [4] * 3 + [3] + [4] * 3 + [2] + [4] * 4 == found.degrees.tolist()
    seen = found.residuals.redundancy > 0
    assert not seen[3, 0]
    assert not seen[7, [1, 4]].any()
    assert seen[0].all()
    assert [True, *[False] * 5] == np.isnan(found.values[3]).tolist()
