"""What a laboratory writes into a cell, and what it means."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.tests.spreadsheet.results import Telling, cell_of, result_of


@pytest.mark.parametrize(
    ("cell", "meant"),
    [
        (23.53, 23.53),
        ("23.53", 23.53),
        (" 23.53 ", 23.53),
        ("23,53", 23.53),
        ("0,123", 0.123),
        (",5", 0.5),
        ("1.5e3", 1500.0),
        ("\N{MINUS SIGN}0.3", -0.3),
        ("007", 7),
        ("<0.05", {"below": 0.05}),
        ("< 50", {"below": 50}),
        (">60", {"above": 60}),
        ("<0,05", {"below": 0.05}),
        ("n.d.", {"result": "not detected"}),
        ("ND", {"result": "not detected"}),
        ("trace", {"result": "trace"}),
        ("38.1; 38.3;38.2", [38.1, 38.3, 38.2]),
        ("38,1; 38,3", [38.1, 38.3]),
        ("38.1;", [38.1]),
        ("0.19 ± 0.03", {"value": 0.19, "sd": 0.03}),
        ("0.19 +/- 0.03", {"value": 0.19, "sd": 0.03}),
        ("350 ppm", {"value": 350, "unit": "ppm"}),
        ("<50 ppm", {"below": 50, "unit": "ppm"}),
        ("1.2; 1.3 %", {"replicates": [1.2, 1.3], "unit": "%"}),
        ("0.1 ± 0.02 g/t", {"value": 0.1, "sd": 0.02, "unit": "g/t"}),
        ('{"value": 0.19, "error_model": "XRF"}', {"value": 0.19, "error_model": "XRF"}),
    ],
)
def test_a_cell_is_read_as_it_was_meant(cell: Any, meant: Any) -> None:
    assert meant == result_of(cell, decimal_comma=False)


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("1,234", "unclear-comma"),
        ("12,345", "unclear-comma"),
        ("1 234.5", "thousands-mark"),
        ("1,234.5", "thousands-mark"),
        ("1.234.567", "thousands-mark"),
        ("-", "unclear-word"),
        ("n.a.", "unclear-word"),
        ("?", "unclear-word"),
        ("12 apples", "not-a-number"),
        ("12.3.4", "not-a-number"),
        ("<", "not-a-number"),
        ("38.1; x", "not-a-number"),
        ("±0.1", "not-a-number"),
        ("1e999", "number-too-large"),
        ("NaN", "not-a-number"),
        ("{broken", "malformed-json"),
        ('{"value": NaN}', "not-finite"),
        (float("inf"), "number-too-large"),
        (True, "not-a-number"),
        (datetime(2026, 3, 1, tzinfo=UTC), "date-for-number"),
    ],
)
def test_what_could_be_read_in_two_ways_or_not_at_all_is_refused(cell: Any, code: str) -> None:
    with pytest.raises(Telling) as refused:
        result_of(cell, decimal_comma=False)

    assert code == refused.value.code
    assert refused.value.mend


def test_where_commas_part_no_cells_they_are_decimal_marks() -> None:
    """In a table parted by semicolons '1,234' has one meaning only."""
    assert 1.234 == result_of("1,234", decimal_comma=True)


def test_both_readings_of_a_doubtful_comma_are_named() -> None:
    with pytest.raises(Telling) as refused:
        result_of("1,234", decimal_comma=False)

    assert "'1,234' could be 1.234 or 1234." == refused.value.what


_NUMBER = st.floats(allow_nan=False, allow_infinity=False)
_SIZE = st.floats(0, 1e12)
_RESULT = st.one_of(
    _NUMBER,
    st.lists(_NUMBER, min_size=1, max_size=4),
    st.fixed_dictionaries({"value": _NUMBER, "sd": _SIZE}),
    st.fixed_dictionaries(
        {"below": _SIZE}, optional={"unit": st.sampled_from(["%", "ppm", "g/t"])}
    ),
    st.fixed_dictionaries({"above": _SIZE}),
    st.fixed_dictionaries({"value": _NUMBER, "unit": st.sampled_from(["ppb", "fraction"])}),
    st.fixed_dictionaries({"result": st.sampled_from(["trace", "not detected"])}),
    st.fixed_dictionaries({"value": _NUMBER, "error_model": st.text(max_size=8)}),
)


@given(_RESULT)
def test_every_result_can_be_written_into_a_cell(result: Any) -> None:
    """What is written is read back as it was, to the last digit."""
    assert result == result_of(cell_of(result), decimal_comma=False)
