"""Whatever series is sent, the service answers: what it shows or a problem, never a failure."""

import copy
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.drift.schemas import MINIMAL_EXAMPLE

from .test_drift import post, series
from .test_fuzz import ANYTHING, FEW, _has, _places

FULL: dict[str, Any] = series(10) | {
    "instruments": [{"name": "weigher 7", "stream": ["mag 1", "nonmag"], "of": "mass"}],
    "error_models": [{"name": "belt", "sd": 0.2, "relative_sd": 0.01, "unit": "t/h"}],
    "causes": [{"name": "calibration", "relative_sd": 0.005}],
    "options": {"average_run_length": 500, "design_shift": 0.5},
}
FULL["readings"][1] = {"stream": "mag 1", "of": "mass", "error_model": "belt"}
FULL["readings"][2]["causes"] = ["calibration"]
FULL["shifts"][4] = {
    "name": "shift 5",
    "readings": [{"stream": "feed", "of": "mass", "value": 99.6, "sd": 1.2}],
}
PLACES = _places(FULL)


def _answered(request: object) -> None:
    reply = post(json.dumps(request))

    assert reply.status_code in {200, 400, 422, 503}, reply.text
    told = json.loads(reply.text, parse_constant=pytest.fail)
    if reply.status_code == 200:
        assert told["instruments"]
    else:
        assert told["title"]
        assert told["faults"] or told.get("outcome")


@settings(FEW, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(PLACES), ANYTHING), min_size=1, max_size=3))
def test_any_change_to_a_good_series_is_answered(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    """Anything put in any place of a good request."""
    request = copy.deepcopy(FULL)
    for where, put in changes:
        here: Any = request
        for part in where[:-1]:
            here = here[part] if _has(here, part) else None
        if _has(here, where[-1]):
            here[where[-1]] = copy.deepcopy(put)
    _answered(request)


NUMBER = st.one_of(
    st.floats(-1e15, 1e15, allow_subnormal=False),
    st.floats(0, 1, allow_subnormal=False),
    st.sampled_from([0.0, 1e-18, 1e-12, 1e12, 1e15, 100.0, None]),
)


@settings(FEW, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 2), NUMBER), min_size=1, max_size=12),
    st.lists(st.tuples(st.integers(0, 2), NUMBER), max_size=2),
)
def test_any_numbers_in_a_good_series_are_answered(
    values: list[tuple[int, int, Any]], sds: list[tuple[int, Any]]
) -> None:
    """Numbers of any size lead to findings that are finite, or to a problem."""
    request = copy.deepcopy(MINIMAL_EXAMPLE)
    for shift, reading, number in values:
        request["shifts"][shift]["values"][reading] = number
    for reading, number in sds:
        request["readings"][reading]["sd"] = number
    _answered(request)
