"""Readings against a level of which nothing is known: streams whose grades are the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import Flowsheet, Knowledge, Reading, Stream, reconcile_balance
from reconcile.measurands import assay, less_level
from reconcile.stack import reconcile_stack

PARTED = Flowsheet(
    ("divide",),
    (Stream("lot", None, "divide"), Stream("a", "divide", None), Stream("b", "divide", None)),
    ("Sn",),
)
LIKE = less_level(assay("Sn"), "grade of the lot")


def _weighed() -> list[Reading]:
    return [Reading("a", "mass", 400.0, 0.01), Reading("b", "mass", 600.0, 0.01)]


def _alike(sd: float) -> list[Reading]:
    return [Reading(name, LIKE, 0.0, sd) for name in ("a", "b")]


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.floats(0.01, 0.6),
    st.floats(-3, 3),
    st.sampled_from([1e-4, 1e-3, 1e-2]),
    st.sampled_from([1e-4, 1e-3, 1e-2]),
)
def test_two_parts_pull_each_other_as_the_normal_equations_say(
    grade: float, apart: float, s: float, e: float
) -> None:
    """Both assayed: value, sd, statistic and degrees of freedom follow in closed form."""
    reads = np.array([grade, grade + apart * s])
    readings = [*_weighed(), *_alike(e)]
    readings += [Reading(n, "Sn", float(y), s) for n, y in zip("ab", reads, strict=True)]

    balance = reconcile_balance(PARTED, readings)

    # The level integrated out: the difference of the two has a variance of 2 e².
    pull = np.array([[1, -1], [-1, 1]]) / (2 * e**2)
    covariance = np.linalg.inv(np.eye(2) / s**2 + pull)
    expected = covariance @ reads / s**2
    found = [balance.assays[name, "Sn"] for name in "ab"]
    assert expected == pytest.approx([f.value for f in found], rel=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([f.sd for f in found], rel=1e-5)
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
    statistic = (reads[1] - reads[0]) ** 2 / (2 * s**2 + 2 * e**2)
    assert statistic == pytest.approx(balance.test.statistic, rel=1e-5, abs=1e-9)


def test_a_level_alone_tells_nothing() -> None:
    """With neither part assayed the grades stay unknown: a level is no reading."""
    balance = reconcile_balance(PARTED, [*_weighed(), *_alike(1e-3)])

    assert Knowledge.UNOBSERVABLE is balance.assays["a", "Sn"].knowledge
    assert balance.test is None or 0 == balance.test.degrees_of_freedom


def test_one_part_tells_of_the_other_and_of_the_lot() -> None:
    """One assay and a likeness make all grades known, and check nothing, masses least of all."""
    readings = [*_weighed(), *_alike(1e-3), Reading("a", "Sn", 0.3, 1e-3)]
    readings.append(Reading("lot", "mass", 1000.0, 1.0))

    balance = reconcile_balance(PARTED, readings)

    other = balance.assays["b", "Sn"]
    assert 0.3 == pytest.approx(other.value)
    assert np.sqrt(3e-6) == pytest.approx(other.sd, rel=1e-4)
    assert Knowledge.OBSERVABLE is balance.assays["lot", "Sn"].knowledge
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom  # the masses of lot and parts


def test_a_composite_may_be_like_a_stream() -> None:
    """The lot is as rich as its parts together whatever their level: nothing is checked by it."""
    readings = [*_weighed(), Reading("a", "Sn", 0.2, 1e-3), Reading("b", "Sn", 0.3, 1e-3)]
    readings += [Reading(("a", "b"), LIKE, 0.0, 1e-4), Reading("lot", LIKE, 0.0, 1e-4)]

    balance = reconcile_balance(PARTED, readings)

    assert 0.26 == pytest.approx(balance.assays["lot", "Sn"].value)
    assert balance.test is not None
    assert 0 == pytest.approx(balance.test.statistic, abs=1e-6)


def test_shifts_side_by_side_know_levels() -> None:
    """The compiled road gives what each shift gives alone."""
    readings = [*_weighed(), *_alike(2e-3), Reading("a", "Sn", 0.3, 1e-3)]
    readings.append(Reading("b", "Sn", 0.31, 2e-3))
    values = np.array([r.value for r in readings]) * np.ones((5, 1))
    values[:, -2:] += np.linspace(-0.01, 0.01, 10).reshape(5, 2)

    stack = reconcile_stack(PARTED, readings, values)

    for shift, row in enumerate(values):
        alone = [replace(r, value=float(v)) for r, v in zip(readings, row, strict=True)]
        balance = reconcile_balance(PARTED, alone)
        expected = [balance.assays[name, "Sn"].value for name in ("lot", "a", "b")]
        assert expected == pytest.approx(stack.assays[shift, :, 0], rel=1e-7)
