"""What is kept of flowsheets and judged at once changes no reply, and takes a bounded room."""

import json
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.balances import intake
from service.balances.schemas import BalanceRequest, FlowsheetObject
from service.balances.terms import readings, seen, sheet
from service.balances.terms.again import MOST_FRAMES, Frames
from service.balances.terms.request import Terms, terms_of
from service.balances.terms.seen import Flowsheets
from service.kit.problems import RefusalError
from service.kit.settings import Settings

from .client import example, faults, minimal, post

NAMES = ("feed", "mag 1", "nonmag", "none such")
WORDS = ("mass", "Sn", "water", "moisture", "pulp density", "none such")

readings_on_the_wire = st.fixed_dictionaries(
    {
        "stream": st.sampled_from([*NAMES, ["feed"], ["mag 1", "nonmag"]]),
        "of": st.sampled_from([*WORDS, {"quantity": "Sn"}, {"quantity": "Sn", "basis": "dry"}]),
    },
    optional={
        "value": st.sampled_from([None, -1.0, 0.0, 1e-310, 0.5, 31.2, 101.0, 2500.0, 1e12]),
        "sd": st.sampled_from([0.0, 1e-18, 0.3, 5]),
        "relative_sd": st.sampled_from([0.0, 0.02, 100.0]),
        "unit": st.sampled_from(["%", "g", "kg", "ppm", "t/m3"]),
        "left_out": st.just("torn bag"),
        "causes": st.just([{"cause": "weigher", "sd": 1}]),
    },
)


def _without_short_cuts(request: BalanceRequest, patched: pytest.MonkeyPatch) -> Any:
    with patched.context() as alone:
        alone.setattr(readings, "taken", lambda *_: None)
        return terms_of(request)


def _comparable(terms: Terms) -> Any:
    return terms.readings, terms.origins, terms.entries


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(taken=st.lists(readings_on_the_wire, min_size=1, max_size=6))
def test_the_usual_reading_is_judged_as_every_other(
    taken: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is taken at once is what the judgement in full gives, to the last bit."""
    flowsheet = minimal()["flowsheet"] | {"water": True}
    request = BalanceRequest.model_validate({"flowsheet": flowsheet, "readings": taken})

    at_once, found_at_once = terms_of(request)
    in_full, found_in_full = _without_short_cuts(request, monkeypatch)

    assert found_in_full == found_at_once
    assert _comparable(in_full) == _comparable(at_once)


@pytest.fixture
def fresh(monkeypatch: pytest.MonkeyPatch) -> Iterator[Flowsheets]:
    """Flowsheets of this test alone."""
    flowsheets = Flowsheets()
    monkeypatch.setattr(intake, "SEEN", flowsheets)
    monkeypatch.setattr(sheet, "SEEN", flowsheets)
    monkeypatch.setattr(intake, "AGAIN", Frames())
    return flowsheets


class _Raw(str):
    """What stands in the place of a number, as it is written."""

    __slots__ = ()


def _written(request: dict[str, Any]) -> bytes:
    """Write a request, and in it what is no number in JSON."""
    text = json.dumps(request)
    for word in ("NaN", "1e999", "1e-999"):
        text = text.replace(f'"{word}"', word)
    return text.encode()


def _timeless(reply: Any) -> Any:
    told = reply.json()
    told["solver"].pop("engine_time_ms")
    return told


@pytest.mark.parametrize("name", ["tin-shed", "cyclone-with-water", "flow-network"])
def test_a_flowsheet_met_again_gives_the_same_reply(name: str, fresh: Flowsheets) -> None:
    """At first nothing is known, then the flowsheet, then its terms, then how it was read."""
    request = example(name)

    first, *later = (_timeless(post(request)) for _ in range(5))

    assert 1 == len(fresh)
    assert [first] * 4 == later


numbers = st.one_of(
    st.sampled_from([None, True, "31.2", [], 0, 0.0, -1.0, 1e-310, 1e-200, 1e12, 1e13, 101.0]),
    st.sampled_from(["NaN", "1e999", "1e-999"]).map(_Raw),
    st.floats(0.01, 99.0),
    st.integers(1, 99),
)
other_numbers = st.lists(
    st.fixed_dictionaries(
        {"value": numbers},
        optional={
            "sd": numbers,
            "relative_sd": numbers,
            "unit": st.sampled_from(["%", "ppm", "kg", None, 1]),
            "of": st.sampled_from(["mass", "Sn", {"quantity": "Sn"}, "tin"]),
            "left_out": st.just("torn bag"),
        },
    ),
    max_size=2,
)
beside = st.fixed_dictionaries(
    {},
    optional={
        "title": st.sampled_from(["Sn", 1, None, 201 * "é", 200 * "é", "half \ud800", 'a": 1']),
        "note": st.sampled_from(["fine", "\ud83d\ude00", 2001 * "n"]),
        "care": st.sampled_from([{}, None]),
        "periods": st.just(["a", "b"]),
        "evidence": st.sampled_from([{"skip": True}, {"prior": {"reading": 0}}, {"level": 7}]),
        "performance": st.just([{"feed": "feed", "products": ["mag 1", "none such"]}]),
        "causes": st.just([{"name": "weigher", "sd": 1}]),
        "controls": st.just([]),
        "notes": st.just("a slip"),
    },
)


class _Never(Frames):
    """Frames that come for the first time, always."""

    def take(self, *_: Any) -> None:
        """Take nothing."""


LIMITS = Settings()


def _taken_in(body: bytes) -> Any:
    try:
        found = intake.take_in(body, LIMITS)
    except RefusalError as refusal:
        return refusal.problem
    told = found.request.title, found.request.note, found.request.evidence
    return _comparable(found.terms), found.terms.beyond, told


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(changes=other_numbers, more=beside)
def test_what_came_before_but_for_its_numbers_is_judged_alike(
    changes: list[dict[str, Any]], more: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is taken as JSON holds it is what the schema and the judgement in full give."""
    request = minimal()
    for _ in range(3):
        _taken_in(json.dumps(request).encode())
    for reading, change in zip(request["readings"], changes, strict=False):
        reading.update(change)
    body = _written(request | more)

    again = _taken_in(body)
    with monkeypatch.context() as alone:
        alone.setattr(intake, "AGAIN", _Never())
        anew = _taken_in(body)

    assert anew == again


def test_the_numbers_of_a_shift_are_taken_as_json_holds_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Once a request was judged in full, no other of its kind is."""
    request = minimal()
    for _ in range(3):
        before = _taken_in(json.dumps(request).encode())
    monkeypatch.setattr(intake, "terms_of", None)
    request["readings"][0]["value"] += 1

    after = _taken_in(json.dumps(request).encode())

    assert before != after


def test_a_slip_in_a_flowsheet_met_before_is_told(fresh: Flowsheets) -> None:
    """`1` is not `true`, and a reading of a stream that is not there is told as ever."""
    good = minimal()
    good["flowsheet"]["water"] = True
    slip, stray = deepcopy(good), deepcopy(good)
    slip["flowsheet"]["water"] = 1
    stray["readings"][0]["stream"] = "fed"
    before = faults(post(stray))

    for _ in range(3):
        assert 200 == post(good).status_code

    assert ["/flowsheet/water"] == [*faults(post(slip))]
    assert before == faults(post(stray))
    assert 1 == len(fresh)


def test_the_same_flowsheet_over_other_periods_is_another(fresh: Flowsheets) -> None:
    """Streams exist in every period; what is known over two says nothing over three."""
    request = minimal()
    for periods in (["a", "b"], ["a", "b", "c"], ["a", "b"]):
        of_all = [r | {"period": p} for p in periods for r in minimal()["readings"]]
        reply = post(request | {"periods": periods, "readings": of_all})
        assert 3 * len(periods) == len(reply.json()["streams"])

    assert 1 == len(fresh)


def _wire(number: int, streams: int = 2) -> tuple[str, FlowsheetObject]:
    names = [f"stream {k}" for k in range(streams)]
    document = {
        "nodes": [f"node {number}"],
        "streams": [{"name": names[0], "to": f"node {number}"}]
        + [{"name": name, "from": f"node {number}"} for name in names[1:]],
    }
    return json.dumps(document), FlowsheetObject.model_validate(document)


def test_what_is_kept_is_bounded() -> None:
    """By number and by streams; what was asked for last stays."""
    flowsheets = Flowsheets(most_streams=10, most_kept=4)
    texts = []
    for number in range(8):
        text, wire = _wire(number)
        flowsheets.keep(text, wire)
        flowsheets.wire(texts[0] if texts else text)
        texts.append(text)

    kept = [text for text in texts if flowsheets.wire(text) is not None]

    assert [texts[0], *texts[-3:]] == kept

    flowsheets.keep(*_wire(99, streams=11))

    assert 4 == len(flowsheets)  # too large to be kept, and nothing goes for its sake

    flowsheets.keep(*_wire(100, streams=9))

    assert 1 == len(flowsheets)


@pytest.mark.parametrize(
    "twice",
    [
        ('"title":', '"title": "One", "title":'),
        ('"flowsheet":', '"flowsheet": {}, "flowsheet":'),
        ('"value": 2500', '"value": 1, "value": 2500'),
        ('"stream": "mag 1", "of": "mass"', '"stream": "mag 1", "of": "Sn", "of": "mass"'),
    ],
)
def test_a_member_that_comes_twice_is_told_as_ever(
    twice: tuple[str, str], fresh: Flowsheets
) -> None:
    """Though a quick reader takes the last of them."""
    text = json.dumps(minimal())
    assert text.count(twice[0]) == 1
    for _ in range(4):
        assert 200 == post(text).status_code

    (code,) = set(faults(post(text.replace(*twice))).values())

    assert "duplicate-member" == code
    assert 1 == len(fresh)


def test_limits_hold_for_what_came_before(fresh: Flowsheets) -> None:
    """What one service took is not taken by another with lower limits."""
    body = json.dumps(minimal()).encode()
    for _ in range(4):
        intake.take_in(body, LIMITS)
    for lower in ({"stream_limit": 2}, {"reading_limit": 5}, {"body_limit_bytes": 100}):
        with pytest.raises(RefusalError):
            intake.take_in(body, Settings.model_validate(lower))

    assert 1 == len(fresh)


def test_frames_are_bounded() -> None:
    """By number and by length; the latest stay."""
    request = BalanceRequest.model_validate(minimal())
    frames = Frames()
    for level in range(1, MOST_FRAMES + 10):
        body = json.dumps(minimal() | {"evidence": {"level": level / 1000}}).encode()
        frames.keep(body, request, LIMITS)

    assert MOST_FRAMES == len(frames)

    long = minimal()
    long["flowsheet"]["streams"] *= 1000
    alone = Frames()
    alone.keep(json.dumps(long).encode(), request, LIMITS)

    assert 0 == len(alone)


def test_many_kinds_of_reading_take_a_bounded_room() -> None:
    """Names that a flowsheet does not know are not kept without end."""
    document = minimal()
    document["readings"] = [
        {"stream": f"stream {k}", "of": "mass", "value": 1, "sd": 1} for k in range(500)
    ]
    terms, _ = terms_of(BalanceRequest.model_validate(document))

    assert len(terms.sheet.kept) < 100
    assert seen.MOST_KEPT >= len(seen.SEEN)
