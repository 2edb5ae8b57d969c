"""Whatever is sent, the service answers: a balance or a problem, never a failure."""

import copy
import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.balances.schemas import (
    BalanceRequest,
    ComponentObject,
    FlowsheetObject,
    ReadingObject,
    StreamObject,
)

from .client import minimal, post
from .test_bad_circuits import GOOD

FEW = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

NUMBERS = st.one_of(
    st.integers(),
    st.floats(),
    st.sampled_from([0, -0.0, 1e-320, 1e-18, 1e15, -1e15, 1e300, 10**400, 100, 5e-324]),
)
WORDS = st.one_of(
    st.text(max_size=5),
    st.sampled_from(
        ["mass", "Sn", "feed", "mag 1", "nonmag", "stage 1", "%", "ppm", "g", "\ud800"]
    ),
)
MEMBERS = st.sampled_from(
    sorted(
        set(BalanceRequest.model_fields)
        | set(FlowsheetObject.model_fields)
        | set(StreamObject.model_fields)
        | set(ComponentObject.model_fields)
        | set(ReadingObject.model_fields)
        | {"from", "time_budget_s", "below"}
    )
)
ANYTHING = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, WORDS),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(MEMBERS, WORDS), inner, max_size=6),
    ),
    max_leaves=20,
)


def _answered(body: object) -> None:
    reply = post(body)

    assert reply.status_code in {200, 400, 422, 503}, reply.text
    told = json.loads(reply.text, parse_constant=pytest.fail)
    if reply.status_code == 200:
        assert told["streams"]
    else:
        assert told["title"]
        assert told["faults"] or told.get("outcome")


def _places(value: Any, where: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [(*where, key) for key, _ in inner] + [
        place for key, held in inner for place in _places(held, (*where, key))
    ]


PLACES = _places(minimal())


@FEW
@given(st.binary(max_size=60))
def test_any_bytes_are_answered(body: bytes) -> None:
    """No body of bytes makes the service fail."""
    _answered(body)


@FEW
@given(ANYTHING)
def test_any_json_is_answered(body: Any) -> None:
    """No JSON, strict or lenient, makes the service fail."""
    _answered(json.dumps(body))


@FEW
@given(st.lists(st.tuples(st.sampled_from(PLACES), ANYTHING), min_size=1, max_size=3))
def test_any_change_to_a_good_request_is_answered(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    """A good request with anything put in any place is a balance or a problem."""
    request = minimal()
    for where, put in changes:
        here: Any = request
        for part in where[:-1]:
            here = here[part] if _has(here, part) else None
        if _has(here, where[-1]):
            here[where[-1]] = copy.deepcopy(put)
    _answered(json.dumps(request))


RICH_PLACES = _places(GOOD)


@settings(FEW, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(RICH_PLACES), ANYTHING), min_size=1, max_size=3))
def test_any_change_to_a_rich_request_is_answered(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    """A request with water, sizes, minerals and stocks and anything put in any place."""
    request = copy.deepcopy(GOOD)
    for where, put in changes:
        here: Any = request
        for part in where[:-1]:
            here = here[part] if _has(here, part) else None
        if _has(here, where[-1]):
            here[where[-1]] = copy.deepcopy(put)
    _answered(json.dumps(request))


@settings(FEW, max_examples=50)
@given(st.sampled_from(RICH_PLACES), st.sampled_from(RICH_PLACES))
def test_any_part_put_in_the_place_of_another_is_answered(
    source: tuple[Any, ...], target: tuple[Any, ...]
) -> None:
    """What is right in one place of a rich request and wrong in another is told, not met."""
    request, put = copy.deepcopy(GOOD), copy.deepcopy(GOOD)
    for part in source:
        put = put[part]
    here: Any = request
    for part in target[:-1]:
        here = here[part]
    here[target[-1]] = put
    _answered(json.dumps(request))


def _has(holder: Any, part: Any) -> bool:
    if isinstance(holder, dict):
        return part in holder
    return isinstance(holder, list) and isinstance(part, int) and part < len(holder)


@FEW
@given(
    st.lists(
        st.tuples(
            st.integers(0, 5),
            st.sampled_from(["value", "sd", "relative_sd"]),
            st.one_of(
                st.floats(-1e15, 1e15),
                st.floats(0, 1),
                st.sampled_from([0.0, 1e-18, 1e-12, 1e12, 1e15, 100.0]),
            ),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_any_numbers_in_a_good_request_are_answered(
    changes: list[tuple[int, str, float]],
) -> None:
    """Numbers of any size lead to a balance that is finite, or to a problem."""
    request = minimal()
    for i, member, number in changes:
        request["readings"][i][member] = number
    _answered(request)
