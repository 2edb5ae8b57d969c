"""Every kind of bad input has its own code, place and advice, and all faults come at once."""

import json
from typing import Any

import pytest

from service.app import create_app
from service.kit.settings import Settings

from .client import faults, minimal, post


def _set(path: str, value: Any) -> dict[str, Any]:
    """Change one place of the minimal request; the path is a JSON pointer."""
    request = minimal()
    *way, last = path.strip("/").split("/")
    here: Any = request
    for part in way:
        here = here[int(part)] if isinstance(here, list) else here[part]
    if isinstance(here, list):
        here.insert(int(last), value) if int(last) == len(here) else here.__setitem__(
            int(last), value
        )
    else:
        here[last] = value
    return request


def _reading(**members: Any) -> dict[str, Any]:
    return {"stream": "feed", "of": "mass", "value": 2500, "sd": 5} | members


CASES = [
    # what is wrong, where it is put, what is put there, where it is told, its code
    ("unknown field", "/flowsheet/colour", "red", "/flowsheet/colour", "unknown-field"),
    ("two results", "/readings/0/below", 0.05, "/readings/0", "several-results"),
    ("unknown option", "/options", {"solver": "x"}, "/options/solver", "unknown-field"),
    ("duplicate node", "/flowsheet/nodes/1", "stage 1", "/flowsheet/nodes/1", "duplicate-node"),
    (
        "duplicate stream",
        "/flowsheet/streams/3",
        {"name": "feed", "to": "stage 1"},
        "/flowsheet/streams/3",
        "duplicate-stream",
    ),
    (
        "duplicate component",
        "/flowsheet/components/1",
        "Sn",
        "/flowsheet/components/1",
        "duplicate-component",
    ),
    (
        "unknown node",
        "/flowsheet/streams/1/from",
        "stage 9",
        "/flowsheet/streams/1/from",
        "unknown-node",
    ),
    ("unknown stream", "/readings/1/stream", "mag 9", "/readings/1/stream", "unknown-stream"),
    ("unknown component", "/readings/3/of", "Pb", "/readings/3/of", "unknown-component"),
    (
        "stream with neither end",
        "/flowsheet/streams/3",
        {"name": "x"},
        "/flowsheet/streams/3",
        "stream-without-ends",
    ),
    (
        "self-loop",
        "/flowsheet/streams/3",
        {"name": "x", "from": "stage 1", "to": "stage 1"},
        "/flowsheet/streams/3",
        "self-loop",
    ),
    (
        "node without anything",
        "/flowsheet/nodes/1",
        "stage 2",
        "/flowsheet/nodes/1",
        "node-without-inlet-or-outlet",
    ),
    (
        "component called mass",
        "/flowsheet/components/1",
        "mass",
        "/flowsheet/components/1",
        "reserved-name",
    ),
    ("two readings of one thing", "/readings/6", _reading(), "/readings/6", "repeated-reading"),
    ("negative sd", "/readings/0/sd", -1, "/readings/0/sd", "bad-sd"),
    ("negative relative sd", "/readings/3/relative_sd", -0.1, "/readings/3/relative_sd", "bad-sd"),
    ("sd too small", "/readings/0/sd", 1e-300, "/readings/0/sd", "sd-too-small"),
    (
        "relative sd too small",
        "/readings/3/relative_sd",
        1e-18,
        "/readings/3/relative_sd",
        "sd-too-small",
    ),
    ("value too small", "/readings/0/value", 2e-310, "/readings/0/value", "value-too-small"),
    (
        "relative sd alone on zero",
        "/readings/3/value",
        0,
        "/readings/3/relative_sd",
        "relative-sd-on-zero",
    ),
    (
        "relative sd alone on a negative value",
        "/readings/3/value",
        -0.1,
        "/readings/3/relative_sd",
        "relative-sd-on-negative",
    ),
    (
        "negative fixed value",
        "/readings/0",
        _reading(value=-1, sd=0),
        "/readings/0/value",
        "negative-fixed-value",
    ),
    (
        "reading without any sd",
        "/readings/0",
        {"stream": "feed", "of": "mass", "value": 1},
        "/readings/0",
        "reading-without-sd",
    ),
    ("assay above 100 %", "/readings/3/value", 101, "/readings/3/value", "assay-above-100-percent"),
    (
        "theoretical content above 100 %",
        "/flowsheet/components/0",
        {"name": "Sn", "theoretical": 101},
        "/flowsheet/components/0/theoretical",
        "theoretical-above-100-percent",
    ),
    ("unknown mass unit", "/flowsheet/mass_unit", "st", "/flowsheet/mass_unit", "unknown-unit"),
    (
        "unknown assay unit",
        "/flowsheet/components/0",
        {"name": "Sn", "unit": "percent"},
        "/flowsheet/components/0/unit",
        "unknown-unit",
    ),
    ("unknown unit of a reading", "/readings/3/unit", "oz", "/readings/3/unit", "unknown-unit"),
    ("mass in an assay's unit", "/readings/0/unit", "ppm", "/readings/0/unit", "unit-does-not-fit"),
    ("assay in a mass unit", "/readings/3/unit", "kg", "/readings/3/unit", "unit-does-not-fit"),
    (
        "mass per hour among masses",
        "/readings/0/unit",
        "t/h",
        "/readings/0/unit",
        "unit-does-not-fit",
    ),
    ("no mass unit", "/flowsheet/mass_unit", None, "/flowsheet/mass_unit", "missing-mass-unit"),
    ("true for a number", "/readings/0/value", True, "/readings/0/value", "not-a-number"),
    ("text for a number", "/readings/0/value", "12", "/readings/0/value", "not-a-number"),
    ("text for an sd", "/readings/0/sd", "1", "/readings/0/sd", "not-a-number"),
    (
        "a number too large to be one",
        "/readings/0/value",
        1e16,
        "/readings/0/value",
        "number-out-of-range",
    ),
    ("number for a name", "/readings/0/stream", 7, "/readings/0/stream", "not-text"),
    ("object for a list", "/readings", {}, "/readings", "not-a-list"),
    ("list for an object", "/flowsheet", [], "/flowsheet", "not-an-object"),
    ("number for a node", "/flowsheet/nodes/0", 3, "/flowsheet/nodes/0", "not-an-object"),
    ("empty readings", "/readings", [], "/readings", "no-readings"),
    ("no nodes", "/flowsheet/nodes", [], "/flowsheet/nodes", "no-nodes"),
    ("no streams", "/flowsheet/streams", [], "/flowsheet/streams", "no-streams"),
    ("empty name", "/flowsheet/nodes/0", "", "/flowsheet/nodes/0", "bad-name"),
    ("blank name", "/flowsheet/nodes/0", "  ", "/flowsheet/nodes/0", "bad-name"),
    ("name with outer space", "/flowsheet/nodes/0", "a ", "/flowsheet/nodes/0", "bad-name"),
    ("name with a line end", "/flowsheet/nodes/0", "a\nb", "/flowsheet/nodes/0", "bad-name"),
    ("name with NUL", "/flowsheet/nodes/0", "a\0b", "/flowsheet/nodes/0", "bad-name"),
    ("name that turns text", "/flowsheet/nodes/0", "a\u202eb", "/flowsheet/nodes/0", "bad-name"),
    ("name too long", "/flowsheet/nodes/0", "x" * 81, "/flowsheet/nodes/0", "bad-name"),
    ("title too long", "/title", "x" * 201, "/title", "text-too-long"),
    (
        "time budget of zero",
        "/options",
        {"time_budget_s": 0},
        "/options/time_budget_s",
        "number-out-of-range",
    ),
]


@pytest.mark.parametrize(
    ("path", "value", "pointer", "code"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_each_fault_has_its_place_its_code_and_advice(
    path: str, value: Any, pointer: str, code: str
) -> None:
    """One thing wrong gives 422 and names it, with what is wrong and how to mend it."""
    reply = post(_set(path, value))

    assert 422 == reply.status_code
    assert "application/problem+json" == reply.headers["content-type"]
    assert code == faults(reply).get(pointer), reply.text
    for fault in reply.json()["faults"]:
        assert fault["detail"].endswith(".")
        assert fault["mend"].endswith(".")


RAW_CASES = [
    ("NaN value", '"value": 2500', '"value": NaN', "/readings/0/value", "not-finite"),
    ("infinite value", '"value": 2500', '"value": -Infinity', "/readings/0/value", "not-finite"),
    ("NaN sd", '"sd": 5', '"sd": NaN', "/readings/0/sd", "not-finite"),
    ("infinite sd", '"sd": 5', '"sd": Infinity', "/readings/0/sd", "not-finite"),
    ("1e999", '"value": 2500', '"value": 1e999', "/readings/0/value", "number-too-large"),
    ("400 digits", '"sd": 5', f'"sd": {"9" * 400}', "/readings/0/sd", "number-too-large"),
    ("1e-999", '"sd": 5', '"sd": 1e-999', "/readings/0/sd", "number-too-small"),
    ("doubled member", '"sd": 5', '"sd": 5, "sd": 6', "/readings/0/sd", "duplicate-member"),
    ("half a character", '"value": 2500', '"unit": "\\ud800", "value": 2500', "/readings/0/unit",
     "not-unicode"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "pointer", "code"),
    [case[1:] for case in RAW_CASES],
    ids=[case[0] for case in RAW_CASES],
)
def test_json_that_a_lenient_reader_would_let_pass_is_refused(
    old: str, new: str, pointer: str, code: str
) -> None:
    """What JSON does not allow, or a double cannot hold, is told with its place."""
    text = json.dumps(minimal())
    assert old in text

    reply = post(text.replace(old, new, 1))

    assert 422 == reply.status_code
    assert code == faults(reply)[pointer]


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"", "empty-body"),
        (b" \n", "empty-body"),
        (b'{"flowsheet": ', "malformed-json"),
        (b"{'flowsheet': 1}", "malformed-json"),
        (b"{} {}", "malformed-json"),
        (b"\xff\xfe{}", "not-utf-8"),
        (b"[" * 100_000, "nested-too-deeply"),
        (b"[" * 40 + b"]" * 40, "nested-too-deeply"),
    ],
)
def test_a_body_that_is_not_json_is_400(body: bytes, code: str) -> None:
    """Where nothing can be read there is one fault, and the status is 400."""
    reply = post(body)

    assert 400 == reply.status_code
    assert [code] == list(faults(reply).values())


def test_malformed_json_is_told_with_line_and_column() -> None:
    """The place where the reader gave up is given, as numbers and in words."""
    reply = post('{\n  "flowsheet": {,}\n}').json()

    assert (2, 17) == (reply["line"], reply["column"])
    assert "line 2, column 17" in reply["faults"][0]["detail"]


@pytest.mark.parametrize("body", ["[]", "3", '"text"', "null", "true", "NaN"])
def test_json_that_is_no_object_is_refused(body: str) -> None:
    """A request is an object; anything else is one fault at the top."""
    reply = post(body)

    assert 422 == reply.status_code
    assert [""] == list(faults(reply))


def test_five_faults_come_back_in_one_reply() -> None:
    """Faults of the JSON, of types and of sense are all told at once, each in its place."""
    request = minimal()
    request["flowsheet"]["mass_unit"] = "grams"
    request["flowsheet"]["streams"][1]["form"] = request["flowsheet"]["streams"][1].pop("from")
    request["readings"][1]["value"] = "905"
    request["readings"][2]["stream"] = "non-mag"
    request["readings"][4]["value"] = 340

    reply = post(request)

    assert 422 == reply.status_code
    assert 5 == reply.json()["fault_count"]
    assert {
        "/flowsheet/mass_unit": "unknown-unit",
        "/flowsheet/streams/1/form": "unknown-field",
        "/readings/1/value": "not-a-number",
        "/readings/2/stream": "unknown-stream",
        "/readings/4/value": "assay-above-100-percent",
    } == faults(reply)


def test_a_slip_brings_no_faults_that_only_follow_from_it() -> None:
    """A misspelt 'from' does not make the node look as if it had no outlet, and so on."""
    request = minimal()
    request["flowsheet"]["streams"][1] = {"name": "mag 1", "form": "stage 1"}
    request["flowsheet"]["streams"][2] = {"nmae": "nonmag", "from": "stage 1"}

    assert {
        "/flowsheet/streams/1/form": "unknown-field",
        "/flowsheet/streams/2/name": "missing-field",
        "/flowsheet/streams/2/nmae": "unknown-field",
    } == faults(post(request))


def test_a_misspelt_sd_is_one_fault_not_two() -> None:
    """Where an sd may hide in an unknown member, it is not also said to be missing."""
    request = minimal()
    request["readings"][0] = {"stream": "feed", "of": "mass", "value": 2500, "std": 5}

    assert {"/readings/0/std": "unknown-field"} == faults(post(request))


def test_close_names_are_suggested() -> None:
    """A misspelt member or unit brings the word that was probably meant."""
    request = minimal()
    request["readings"][0]["relative_ds"] = 0.1
    request["flowsheet"]["mass_unit"] = "tph"

    mends = [fault["mend"] for fault in post(request).json()["faults"]]

    assert any("'t/h'" in mend for mend in mends)
    assert any("'relative_sd'" in mend for mend in mends)


def test_replicates_are_told_how_to_be_given() -> None:
    """Two readings of one thing are refused with the way to give their mean."""
    request = minimal()
    request["readings"].append(request["readings"][0])

    assert "square root of n" in post(request).json()["faults"][0]["mend"]


def test_bad_values_are_never_echoed() -> None:
    """The reply to NaN is JSON, and holds no NaN."""
    text = json.dumps(minimal()).replace("2500", "NaN", 1)

    reply = post(text)

    json.loads(reply.text, parse_constant=pytest.fail)
    assert "NaN" not in reply.text.replace("NaN is not a number in JSON", "")


def test_a_flowsheet_above_a_limit_is_refused_with_the_limit() -> None:
    """Too many streams or components are told with how many the service takes."""
    app = create_app(Settings(stream_limit=2, component_limit=1, reading_limit=5))
    request = minimal()
    request["flowsheet"]["components"].append("Pb")
    request["flowsheet"]["nodes"] += ["stage 2", "stage 3"]

    reply = post(request, app)

    assert {
        "/flowsheet/components": "too-many-components",
        "/flowsheet/nodes": "too-many-nodes",
        "/readings": "too-many-readings",
        "/flowsheet/streams": "too-many-streams",
    } == faults(reply)
    assert "takes 2." in reply.text


def test_streams_and_periods_multiply() -> None:
    """Three streams in two periods are six, and sizes make quantities of each."""
    request = minimal() | {"periods": ["day", "night"]}
    request["flowsheet"]["sizes"] = {"unit": "um", "apertures": [500, 250, 125]}

    assert {"/periods": "too-many-streams"} == faults(
        post(request, create_app(Settings(stream_limit=5)))
    )
    assert {"/flowsheet": "too-many-quantities"} == faults(
        post(request, create_app(Settings(stream_limit=6, component_limit=4)))
    )


def test_very_many_faults_are_counted_and_the_first_listed() -> None:
    """The list of faults has a bound; the count tells all."""
    request = minimal()
    request["readings"] = [{"stream": "feed"}] * 900

    reply = post(request).json()

    assert 1800 == reply["fault_count"]
    assert 1000 == len(reply["faults"])


def test_readings_that_are_all_null_are_no_readings() -> None:
    """Null means not measured, so a request of nulls has nothing to reconcile."""
    request = minimal()
    for reading in request["readings"]:
        reading["value"] = None

    assert {"/readings": "no-readings"} == faults(post(request))


def test_a_reading_of_null_must_still_name_a_stream_that_is_there() -> None:
    """A slip in a name is told even where the value is null."""
    request = minimal()
    request["readings"][1] |= {"value": None, "stream": "mag 9"}

    assert {"/readings/1/stream": "unknown-stream"} == faults(post(request))


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ('{"readings": [' + "{}," * 60_000 + "{}]}", "too-many-readings"),
        ('{"title": [' + "{}," * 300_000 + "{}]}", "too-many-objects"),
        ("[" + "NaN," * 100_000 + "1]", "not-finite"),
        ("{" + ",".join(f'"{i}":1' for i in range(1000)) + "}", "too-many-members"),
    ],
)
def test_a_body_made_of_faults_alone_has_a_short_reply(body: str, code: str) -> None:
    """However much is wrong within the body limit, the search for faults ends."""
    reply = post(body)

    assert 422 == reply.status_code
    assert code in faults(reply).values()
    assert reply.json()["fault_count"] <= 1001
