"""The head calculated from everything else beside the head as read."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import norm

from reconcile import Limit, Options, Reading, Robust, reconcile_balance
from reconcile.metallurgy.heads import Head
from reconcile.metallurgy.performance import Series
from reconcile.metallurgy.question import Question, asked_balance
from tests.flowsheets import separator
from tests.reconcile.metallurgy.cases import SERIES, SHEET, readings

OF_ONE_MASS = separator(("Sn",))
ONE = Series(("feed",), ("concentrate", "tailing"))


def compared(
    read: list[Reading] | tuple[Reading, ...], options: Options | None = None
) -> tuple[Head, ...]:
    """Compare the heads of the separator or of the three passes."""
    known = {r.streams[0] for r in read if r.streams}
    sheet, series = (OF_ONE_MASS, ONE) if "feed" in known else (SHEET, SERIES)
    return asked_balance(sheet, read, Question((series,)), options)[1].heads[0]


def test_the_calculated_head_is_that_of_a_balance_without_its_reading() -> None:
    """Deleting the reading and reconciling anew gives the same head, and the same error of it."""
    read = readings(3)
    for head in compared(read):
        without = reconcile_balance(
            SHEET,
            [replace(r, sd=float("inf")) if i == head.reading else r for i, r in enumerate(read)],
        ).readings[head.reading]

        # To first order in the errors, which are percents here.
        assert pytest.approx(without.value, abs=0.02 * read[head.reading].sd) == head.calculated
        assert pytest.approx(without.sd, rel=5e-3) == head.calculated_sd


def test_by_hand_with_weights_alone() -> None:
    """Trays of 40 ± 0.3 and 61 ± 0.4 make a head of 101 ± 0.5, against 100 ± 1.2 weighed."""
    (head,) = compared(
        [
            Reading("feed", "mass", 100.0, 1.2),
            Reading("concentrate", "mass", 40.0, 0.3),
            Reading("tailing", "mass", 61.0, 0.4),
        ]
    )

    assert pytest.approx(101.0) == head.calculated
    assert pytest.approx(0.5) == head.calculated_sd
    assert pytest.approx(-1.0) == head.difference
    assert pytest.approx(1.3) == head.difference_sd
    assert pytest.approx(-1 / 1.3) == head.standardised
    assert pytest.approx(2 * norm.cdf(-1 / 1.3)) == head.p_value


def test_an_error_that_all_share_is_no_difference() -> None:
    """One batch of assays reads high by as much in head and products: that shows nowhere."""
    batch = (("batch", 0.02),)
    shared = [
        Reading("feed", "mass", 100.0, 0.1),
        Reading("concentrate", "mass", 40.0, 0.1),
        *(
            Reading(stream, "Sn", value + 0.02, 0.003, batch)
            for stream, value in (("feed", 0.2), ("concentrate", 0.4), ("tailing", 0.0667))
        ),
    ]
    alone = [replace(r, causes=()) for r in shared]
    of_shared, of_alone = (compared(read)[1] for read in (shared, alone))

    assert abs(of_shared.difference) < 1e-3
    assert pytest.approx(of_alone.difference_sd, rel=0.02) == of_shared.difference_sd


def test_p_values_allow_for_all_that_was_compared() -> None:
    """Holm: the smallest counts as often as there are comparisons."""
    found = compared(readings(3))
    smallest = min(found, key=lambda head: head.p_value)

    assert len(found) == 5
    assert pytest.approx(min(5 * smallest.p_value, 1.0)) == smallest.among_all


@pytest.mark.parametrize(
    ("reading", "options", "because"),
    [
        (Reading("feed", "Sn", 0.2, 0.01), None, "nothing else determines it"),
        (
            Reading("feed", "Sn", 0.2, 0.01, limit=Limit.BELOW),
            None,
            "it is a limit, not a number",
        ),
        (
            Reading("feed", "Sn", 0.2, 0.0),
            None,
            "it is taken as exact, so nothing can contradict it",
        ),
        (
            Reading("feed", "Sn", 0.2, 0.01),
            Options(robust=Robust.HUBER),
            "a robust fit has no reference distribution",
        ),
    ],
)
def test_where_nothing_can_be_compared_it_is_said_why(
    reading: Reading, options: Options | None, because: str
) -> None:
    """No number stands where there is none."""
    read = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 40.0, 0.5),
        reading,
    ]
    head = compared(read, options)[1]

    assert because == head.because
    assert [None] * 4 == [head.calculated, head.difference, head.p_value, head.among_all]


def test_expectations_without_weight_are_no_head_assay() -> None:
    """What counts for nothing is not compared."""
    read = [
        Reading("feed", "mass", 100.0, 1.0),
        Reading("concentrate", "mass", 40.0, 0.5),
        Reading("feed", "Sn", 0.2, float("inf")),
    ]

    assert [0] == [head.reading for head in compared(read)]
