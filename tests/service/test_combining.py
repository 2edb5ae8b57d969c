"""Several results of a shift as one reading: sums, means, limits, and their errors."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.mappings.schemas import MappingEntry
from service.shifts.combining import reading_of, result_of, rule_of

HOURS = 8.0


def _entry(**others: Any) -> MappingEntry:
    reading = {"stream": "feed", "of": "Sn", "relative_sd": 0.02} | others.pop("reading", {})
    return MappingEntry.model_validate({"tag": "T-1", "reading": reading} | others)


def _combined(entry: MappingEntry, unit: str, *bodies: dict[str, Any]) -> dict[str, Any] | None:
    results = [result_of(body, body.get("unit", unit), unit) for body in bodies]
    return reading_of(entry, unit, results, HOURS)


def test_values_are_averaged_in_the_unit_of_the_mapping() -> None:
    """1000 ppm and 0.3 % are 0.2 % on the average, with the errors of the mapping."""
    made = _combined(_entry(), "%", {"value": 1000, "unit": "ppm"}, {"value": 0.3})

    assert made is not None
    assert pytest.approx(0.2) == made["value"]
    assert ("%", 0.02) == (made["unit"], made["relative_sd"])


def test_errors_that_the_source_states_add_in_squares() -> None:
    """Sum: root of the sum of squares; mean: that over their number (JCGM 100:2008, 5.1.2)."""
    bodies = [{"value": 10.0, "sd": 0.3}, {"value": 20.0, "relative_sd": 0.02}]

    total = _combined(_entry(combine="sum"), "%", *bodies)
    mean = _combined(_entry(combine="mean"), "%", *bodies)

    assert total is not None
    assert mean is not None
    assert pytest.approx((30.0, 0.5)) == (total["value"], total["sd"])
    assert pytest.approx((15.0, 0.25)) == (mean["value"], mean["sd"])
    assert "relative_sd" not in total


def test_errors_that_only_some_state_are_those_of_the_mapping() -> None:
    """Nothing is made up for the others."""
    made = _combined(_entry(), "%", {"value": 10.0, "sd": 0.3}, {"value": 20.0})

    assert made is not None
    assert "sd" not in made
    assert 0.02 == made["relative_sd"]


def test_a_rate_is_integrated_over_the_hours_of_the_shift() -> None:
    """Mean of 60 and 80 t/h over 8 h: 560 t; a stated sd in t/h becomes one in t."""
    entry = _entry(reading={"of": "mass", "unit": "t/h"}, combine="integral")

    made = _combined(entry, "t/h", {"value": 60.0, "sd": 3.0}, {"value": 80.0, "sd": 4.0})

    assert made is not None
    assert ("t", 560.0) == (made["unit"], made["value"])
    assert pytest.approx(2.5 * HOURS) == made["sd"]


def test_a_limit_among_values_makes_the_whole_a_limit() -> None:
    """At most 0.05 and just 0.15: the mean is at most 0.10."""
    made = _combined(_entry(), "%", {"below": 0.05}, {"value": 0.15})

    assert made is not None
    assert pytest.approx(0.10) == made["below"]
    assert "value" not in made


def test_limits_of_both_kinds_say_nothing_together() -> None:
    """Nor does a word beside a value."""
    assert _combined(_entry(), "%", {"below": 0.05}, {"above": 60.0}) is None
    assert _combined(_entry(), "%", {"result": "trace"}, {"value": 1.0}) is None


def test_a_single_result_goes_through_as_it_is() -> None:
    """Replicates stay replicates, words stay words."""
    assert [0.1, 0.3] == (_combined(_entry(), "%", {"replicates": [0.1, 0.3]}) or {})["replicates"]
    assert "trace" == (_combined(_entry(), "%", {"result": "trace"}) or {})["result"]


def test_what_several_results_make_goes_by_what_is_read() -> None:
    """Masses sum, stocks are as last seen, all else is averaged, unless the mapping says so."""
    mass = _entry(reading={"of": "mass", "unit": "t"})
    stock = MappingEntry.model_validate(
        {"tag": "L-1", "reading": {"stock": "bin", "of": "mass", "unit": "t", "sd": 1}}
    )

    assert ["sum", "mean", "last", "last"] == [
        rule_of(mass, "t"),
        rule_of(mass, "t/h"),
        rule_of(stock, "t"),
        rule_of(_entry(combine="last"), "%"),
    ]
    last = _combined(_entry(combine="last"), "%", {"value": 1.0}, {"value": 3.0})
    assert last is not None
    assert math.isclose(3.0, last["value"])
