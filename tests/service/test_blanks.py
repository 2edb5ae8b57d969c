"""What is written once with blanks is, filled in, what a writer would give for it whole."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.kit.blanks import Body, Form, Line, blank, figures_of, figures_of_list
from service.kit.problems import RefusalError

_numbers = st.floats(allow_nan=False, allow_infinity=False)
_text = st.text(max_size=8)


def _read(part: Any) -> Any:
    return json.loads(orjson.dumps(part))


@given(st.lists(st.none() | _numbers, max_size=6))
def test_figures_are_the_numbers_and_null_where_none_is_told(numbers: list[float | None]) -> None:
    """Each as JSON has it by itself."""
    told = np.array([number is not None for number in numbers], dtype=bool)
    array = np.array([math.inf if number is None else number for number in numbers])

    assert [orjson.dumps(number) for number in numbers] == figures_of(array, told)


@given(st.lists(_numbers, max_size=6))
def test_a_list_is_written_as_an_array_is(numbers: list[float]) -> None:
    """Even where the sum of what can be sent is too large to be."""
    assert [orjson.dumps(number) for number in numbers] == figures_of_list(numbers)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_figure_that_is_no_number_is_refused(bad: float) -> None:
    """Also among those of which the sum is no number by itself."""
    for numbers in ([1.0, bad], [1e308, 1e308, bad], [math.inf, -math.inf]):
        with pytest.raises(RefusalError):
            figures_of_list(numbers)
        with pytest.raises(RefusalError):
            figures_of(np.array(numbers), np.ones(len(numbers), dtype=bool))


@given(_text, st.permutations(range(4)), st.integers(0, 4))
def test_each_blank_of_a_form_has_its_figure(name: str, order: list[int], count: int) -> None:
    """Whatever the order, however few, and whatever text stands between."""
    made = Form([{name: blank(k), "name": name} for k in order[:count]])

    assert [{name: k, "name": name} for k in order[:count]] == _read(
        made.filled([str(k).encode() for k in range(4)])
    )


@given(st.lists(_text, max_size=4))
def test_rows_begin_with_their_names_and_have_figures_of_their_own(names: list[str]) -> None:
    """Also where there is no row."""
    body, places = Body(), np.arange(len(names))
    members = {"twice": [body.blank(places), body.blank(places)], "last": body.blank(-1 - places)}
    rows = body.rows([{"name": name} for name in names], members)
    figures = [str(10 * k).encode() for k in range(len(names))]

    assert _read(rows.filled(figures)) == [
        {"name": name, "twice": [10 * k, 10 * k], "last": 10 * (len(names) - 1 - k)}
        for k, name in enumerate(names)
    ]


@given(st.lists(st.tuples(_text, _numbers, _text), max_size=4))
def test_lines_begin_as_they_were_begun(lines: list[tuple[str, float, str]]) -> None:
    """Figures are given column by column."""
    line = Line({"value": blank(0), "same": "\0", "unit": blank(1)})
    begun = [line.begun({"name": name}) for name, _, _ in lines]
    columns = [[orjson.dumps(one[k]) for one in lines] for k in (1, 2)]

    assert _read(line.written(begun, columns)) == [
        {"name": name, "value": value, "same": "\0", "unit": unit} for name, value, unit in lines
    ]
