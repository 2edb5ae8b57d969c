"""Replies as they are sent: no number that is none, and nothing lost on the way."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile import Knowledge
from service.balances.reply import Amount, Share, StreamShare
from service.balances.reply.whole import Split
from service.kit.problems import RefusalError
from service.kit.replies import as_bytes, as_json, members_as_bytes, members_of


def _split(name: str, value: float) -> Split:
    share = StreamShare(stream=name, value=value, sd=0.1, class_=Knowledge.OBSERVABLE)
    return Split(node="stage 1", period=None, of="mass", size=None, streams=[share])


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_never_sent(value: float) -> None:
    """However deep it stands; a plain writer would make it a null."""
    with pytest.raises(RefusalError) as refused:
        as_bytes(_split("mag 1", value))

    assert "not converged" == refused.value.problem.outcome


@pytest.mark.parametrize("name", ["NaN", "Infinity of 'feed'", "-Infinity"])
def test_a_name_may_be_the_word_for_such_a_number(name: str) -> None:
    """Text is text."""
    sent = json.loads(as_bytes(_split(name, 40.0)))

    assert name == sent["streams"][0]["stream"]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_neither_is_it_sent_as_a_member(value: float) -> None:
    """However it was made ready."""
    with pytest.raises(RefusalError):
        members_as_bytes(members_of(_split("mag 1", value)))


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_comes_back_as_it_was(value: float) -> None:
    """Numbers are written so that reading them gives the same double, and in the same digits."""
    reply = Amount(value=value, sd=None, class_=Knowledge.OBSERVABLE, unit="t")
    sent = as_bytes(reply)

    assert value == json.loads(sent)["value"]
    assert sent == members_as_bytes(members_of(reply))


def test_what_is_sent_is_what_the_command_prints() -> None:
    """Both doors write the same members; the command indents them."""
    share = Share(value=36.4, sd=0.07, class_=Knowledge.REDUNDANT)

    assert json.loads(as_json(share, indent=2)) == json.loads(as_bytes(share))
    assert as_json(share).encode() == as_bytes(share)
