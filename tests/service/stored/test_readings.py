"""Readings on either database: exactly one copy, the newest counts, nothing is lost."""

from __future__ import annotations

import copy
import itertools
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.service.client import JSON, ask
from tests.service.stored import plant
from tests.service.stored.plant import MAPPING, SITE, changed, put

READINGS = f"{SITE}/readings"
WEIGHT: dict[str, Any] = {
    "source": "plant data system",
    "tag": "WIT-101",
    "time": "2026-03-01T18:00:00+08:00",
    "value": 812.4,
}
ASSAY: dict[str, Any] = {
    "source": "site laboratory",
    "sample_point": "FEED-A",
    "analyte": "Sn",
    "time": "2026-03-01T12:00:00+08:00",
    "value": 31.2,
}


def _post(
    app: FastAPI, *lines: Any, headers: dict[str, str] | None = None, query: str = ""
) -> httpx.Response:
    content = json.dumps({"readings": lines})
    return ask(
        "POST", f"{READINGS}{query}", app=app, content=content, headers=JSON | (headers or {})
    )


def _send(app: FastAPI, kind: str, content: str | bytes, query: str = "") -> httpx.Response:
    headers = {"Content-Type": kind}
    return ask("POST", f"{READINGS}{query}", app=app, content=content, headers=headers)


def _outcomes(reply: httpx.Response) -> list[str]:
    assert 200 == reply.status_code, reply.text
    return [line["outcome"] for line in reply.json()["lines"]]


def _codes(reply: httpx.Response) -> list[list[tuple[str, str]]]:
    return [[(f["pointer"], f["code"]) for f in line["faults"]] for line in reply.json()["lines"]]


def _all(app: FastAPI, query: str = "") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask("GET", f"{READINGS}{query}", app=app).json()["readings"]
    return found


def _history(app: FastAPI, reading: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask("GET", f"{READINGS}/{reading}", app=app).json()["versions"]
    return found


# --- posting ----------------------------------------------------------------------------------


def test_a_reading_comes_back_as_it_was_sent(plant_app: FastAPI) -> None:
    """Identity and content, its time in UTC, and how it stands."""
    assert ["accepted", "accepted"] == _outcomes(_post(plant_app, WEIGHT, ASSAY))

    assay, weight = _all(plant_app)

    assert WEIGHT | {"time": "2026-03-01T10:00:00Z"} == {name: weight[name] for name in WEIGHT}
    assert ASSAY | {"time": "2026-03-01T04:00:00Z"} == {name: assay[name] for name in ASSAY}
    assert ("current", "final", 1, "t") == tuple(
        weight[name] for name in ("standing", "status", "mapping_version", "mapped_unit")
    )


def test_a_repeat_changes_nothing_with_or_without_a_key(plant_app: FastAPI) -> None:
    """The natural identity is enough: the same line under new keys is the same reading."""
    first = _post(plant_app, WEIGHT, headers={"Idempotency-Key": "a"})
    again = [_post(plant_app, WEIGHT, headers={"Idempotency-Key": k}) for k in ("b", "c")]
    bare = _post(
        plant_app, WEIGHT | {"time": "2026-03-01T10:00:00Z", "version": 1, "status": "final"}
    )

    assert ["repeated"] * 3 == [_outcomes(r)[0] for r in (*again, bare)]
    assert 1 == len({r.json()["lines"][0]["reading"] for r in (first, *again, bare)})
    assert 1 == len(_all(plant_app))


def test_a_key_brings_the_same_answer_again(plant_app: FastAPI) -> None:
    """Byte by byte; another body under it is refused, as is a key that is none."""
    first, again = (
        _post(plant_app, WEIGHT, headers={"Idempotency-Key": '"k-1"'}) for _ in range(2)
    )

    assert first.content == again.content
    assert ["accepted"] == _outcomes(again)
    assert 422 == _post(plant_app, ASSAY, headers={"Idempotency-Key": "k-1"}).status_code
    assert 400 == _post(plant_app, ASSAY, headers={"Idempotency-Key": "two words"}).status_code
    assert 1 == len(_all(plant_app))


@pytest.mark.parametrize("order", list(itertools.permutations([1, 2, 3])))
def test_the_highest_version_counts_whatever_the_order(
    plant_app: FastAPI, order: tuple[int, ...]
) -> None:
    """Corrections supersede, late ones are superseded on arrival, and none is erased."""
    status = {1: "preliminary", 2: "final", 3: "umpire"}
    lines = [ASSAY | {"version": v, "value": 30.0 + v, "status": status[v]} for v in order]

    outcomes = [_outcomes(_post(plant_app, line))[0] for line in lines]

    highest = list(itertools.accumulate(order, max))
    assert outcomes == [
        "accepted" if v == h else "superseded" for v, h in zip(order, highest, strict=True)
    ]
    (reading,) = _all(plant_app)
    assert (3, 33.0, "umpire") == (reading["version"], reading["value"], reading["status"])
    assert [(1, 31.0), (2, 32.0), (3, 33.0)] == [
        (v["version"], v["value"]) for v in _history(plant_app, reading["id"])
    ]


def test_the_same_version_with_another_value_is_a_conflict_of_that_line(plant_app: FastAPI) -> None:
    """The line is rejected with what differs; the others of its batch are taken."""
    _post(plant_app, ASSAY)

    reply = _post(plant_app, ASSAY | {"value": 31.3, "unit": "%"}, WEIGHT)

    assert ["rejected", "accepted"] == _outcomes(reply)
    (fault,) = reply.json()["lines"][0]["faults"]
    assert ("/readings/0/version", "conflicting-version") == (fault["pointer"], fault["code"])
    assert "'unit', 'value'" in fault["detail"]
    assert [31.2, 812.4] == [r["value"] for r in _all(plant_app)]


def test_lines_of_one_batch_count_like_batches_of_one(plant_app: FastAPI) -> None:
    """Repeats, corrections and conflicts within a batch, in the order of its lines."""
    reply = _post(
        plant_app,
        *(ASSAY, ASSAY, ASSAY | {"version": 3, "value": 1}),
        *(ASSAY | {"version": 2, "value": 2}, ASSAY | {"value": 3}),
    )

    told = ["accepted", "repeated", "accepted", "superseded", "rejected"]
    assert told == _outcomes(reply)
    assert {"accepted": 2, "repeated": 1, "superseded": 1, "parked": 0, "rejected": 1} == {
        k: v for k, v in reply.json().items() if k != "lines"
    }
    assert [1.0] == [r["value"] for r in _all(plant_app)]


def test_each_part_of_the_identity_tells_readings_apart(plant_app: FastAPI) -> None:
    """Source, sample point, analyte, sample and time."""
    others = [
        ASSAY | {name: value}
        for name, value in (
            *(("source", "umpire laboratory"), ("sample_point", "MAG-1"), ("analyte", "Fe")),
            *(("sample", "F-1"), ("sample", "F-2"), ("time", "2026-03-01T12:00:00.000001+08:00")),
        )
    ]

    _post(plant_app, ASSAY, *others)

    assert 7 == len(_all(plant_app))


def test_a_rejected_line_costs_no_other(plant_app: FastAPI) -> None:
    """Every fault of every line is told at its place; what is sound is stored."""
    reply = _post(
        plant_app,
        WEIGHT,
        {"tag": "A", "sample_point": "B", "time": "x", "value": True, "more": 1},
        ASSAY | {"value": 1, "below": 2},
        ASSAY | {"time": "2099-01-01T00:00:00Z"},
        "text",
        WEIGHT | {"unit": "%", "version": 2},
        {k: v for k, v in ASSAY.items() if k != "value"},
        ASSAY | {"composite": {"from": "2026-03-02T00:00:00Z", "to": "2026-03-01T00:00:00Z"}},
    )

    assert ["accepted", *["rejected"] * 7] == _outcomes(reply)
    assert [
        [],
        [
            ("/readings/1/source", "missing-field"),
            ("/readings/1/time", "bad-time"),
            ("/readings/1/value", "not-a-number"),
            ("/readings/1/more", "unknown-field"),
        ],
        [("/readings/2", "several-results")],
        [("/readings/3/time", "time-ahead")],
        [("/readings/4", "not-an-object")],
        [("/readings/5/unit", "unit-does-not-fit")],
        [("/readings/6/value", "missing-field")],
        [("/readings/7/composite", "empty-composite")],
    ] == [sorted(line, key=_place) for line in _codes(reply)]
    assert 1 == len(_all(plant_app))


def _place(fault: tuple[str, str]) -> int:
    order = ["source", "time", "value", "more"]
    return order.index(fault[0].split("/")[-1]) if fault[0].split("/")[-1] in order else 0


def test_a_batch_of_which_nothing_can_be_stored_is_a_problem(plant_app: FastAPI) -> None:
    """422 with the faults of all its lines, and no key is used up."""
    key = {"Idempotency-Key": "k"}
    reply = _post(plant_app, WEIGHT | {"value": "x"}, ASSAY | {"time": 1}, headers=key)

    assert 422 == reply.status_code
    assert ["/readings/0/value", "/readings/1/time"] == [
        fault["pointer"] for fault in reply.json()["faults"]
    ]
    assert ["accepted"] == _outcomes(_post(plant_app, WEIGHT, headers=key))


@pytest.mark.parametrize(
    ("body", "codes"),
    [
        ('{"readings": []}', {"no-readings"}),
        ('{"readings": {}}', {"not-a-list"}),
        ("[]", {"not-an-object"}),
        ('{"readings": [{}], "more": 1}', {"unknown-field"}),
        ("{", {"malformed-json"}),
        ("", {"empty-body"}),
    ],
)
def test_what_is_no_batch_is_refused_whole(plant_app: FastAPI, body: str, codes: set[str]) -> None:
    """A problem that names what is wrong."""
    reply = _send(plant_app, "application/json", body)

    assert reply.status_code in {400, 422}
    assert codes == {fault["code"] for fault in reply.json()["faults"]}


def test_numbers_that_are_none_are_faults_of_their_line(plant_app: FastAPI) -> None:
    """NaN and 1e999 in one line do not cost the other."""
    good, bad = json.dumps(WEIGHT), json.dumps(ASSAY).replace("31.2", "NaN")
    reply = _send(plant_app, "application/json", f'{{"readings": [{bad}, {good}]}}')

    assert ["rejected", "accepted"] == _outcomes(reply)
    assert [("/readings/0/value", "not-finite")] == _codes(reply)[0]


def test_there_is_no_posting_to_a_site_that_is_not_there(app: FastAPI) -> None:
    """404, whatever the body."""
    assert 404 == _post(app, WEIGHT).status_code


# --- forms ------------------------------------------------------------------------------------


def test_one_object_a_line_is_taken_as_well(plant_app: FastAPI) -> None:
    """NDJSON: empty lines are passed over, bad ones are rejected by their numbers."""
    lines = [json.dumps(WEIGHT), "", "{not json", json.dumps(ASSAY | {"value": None}), "5"]
    reply = _send(plant_app, "application/x-ndjson", "\n".join(lines))

    assert [(1, "accepted"), (3, "rejected"), (4, "accepted"), (5, "rejected")] == [
        (line["line"], line["outcome"]) for line in reply.json()["lines"]
    ]
    assert [[], [("", "malformed-json")], [], [("", "not-an-object")]] == _codes(reply)


def test_a_table_is_taken_as_well(plant_app: FastAPI) -> None:
    """CSV: limits, replicates, composites and withdrawals; empty cells say nothing."""
    table = (
        "sample_point,analyte,time,value,replicates,unit,version,composite_from,composite_to,note\r\n"
        'FEED-A,Sn,2026-03-01T00:00:00Z,31.2,,%,2,,,"Invented, of course"\r\n'
        "\r\n"
        "FEED-A,Sn,2026-03-02T00:00:00Z,<0.05,,,,,,\r\n"
        "FEED-A,Sn,2026-03-03T00:00:00Z,,31.2;31.4 31.3,,,,,\r\n"
        "FEED-A,Sn,2026-03-04T00:00:00Z,30,,,,2026-03-01T00:00:00Z,2026-03-04T00:00:00Z,\r\n"
        "FEED-A,Sn,2026-03-01T00:00:00Z,null,,,3,,,\r\n"
        'FEED-A,Sn,2026-03-05T00:00:00Z,"1,5",,,x,,,\r\n'
        "FEED-A,Sn,2026-03-06T00:00:00Z,1\r\n"
    )
    reply = _send(plant_app, "text/csv", table, "?source=laboratory")

    assert [*["accepted"] * 5, "rejected", "rejected"] == _outcomes(reply)
    assert [2, 4, 5, 6, 7, 8, 9] == [line["line"] for line in reply.json()["lines"]]
    assert {("/value", "not-a-number"), ("/version", "not-a-whole-number")} == set(_codes(reply)[5])
    assert [("", "wrong-number-of-cells")] == _codes(reply)[6]
    found = {r["time"][:10]: r for r in _all(plant_app)}
    assert (None, 3, "withdrawn") == tuple(
        found["2026-03-01"][name] for name in ("value", "version", "standing")
    )
    assert 0.05 == found["2026-03-02"]["below"]
    assert [31.2, 31.4, 31.3] == found["2026-03-03"]["replicates"]
    assert "2026-03-01T00:00:00Z" == found["2026-03-04"]["composite"]["from"]


@pytest.mark.parametrize(
    ("table", "codes"),
    [
        ("", {"no-header"}),
        ("tag,tag,valeu\n", {"repeated-column", "unknown-column"}),
        ("tag,value\n", {"no-readings"}),
        ('tag,value\n"a,1\n', {"malformed-table"}),
        (b"tag,value\n\xff,1\n", {"not-utf-8"}),
    ],
)
def test_a_table_that_cannot_be_read_is_refused_whole(
    plant_app: FastAPI, table: str | bytes, codes: set[str]
) -> None:
    """Its header, its quotes, its bytes."""
    reply = _send(plant_app, "text/csv", table)

    assert reply.status_code in {400, 422}
    assert codes == {fault["code"] for fault in reply.json()["faults"]}


def test_other_media_types_are_refused(plant_app: FastAPI) -> None:
    """415, and the three that are taken are named."""
    reply = _send(plant_app, "application/xml", "<a/>")

    assert 415 == reply.status_code
    assert {"application/json", "application/x-ndjson", "text/csv"} == set(
        reply.headers["Accept"].split(", ")
    )


def test_lines_of_another_source_keep_it(plant_app: FastAPI) -> None:
    """The parameter stands in only where a line names no source."""
    _post(plant_app, WEIGHT, {k: v for k, v in ASSAY.items() if k != "source"}, query="?source=lab")

    assert {"plant data system", "lab"} == {r["source"] for r in _all(plant_app)}


# --- standing ---------------------------------------------------------------------------------


def test_unknown_tags_are_parked_listed_and_taken_up(plant_app: FastAPI) -> None:
    """A mapping that arrives later takes up what came before it, from its time on."""
    new = {"tag": "WIT-999", "time": "2026-03-01T10:00:00Z", "value": 5, "source": "s"}
    early = new | {"time": "2025-12-01T00:00:00Z"}
    assert ["parked", "parked"] == _outcomes(_post(plant_app, new, early))
    (parked,) = ask("GET", f"{SITE}/parked-tags", app=plant_app).json()["parked"]
    assert {
        "tag": "WIT-999",
        "count": 2,
        "first": "2025-12-01T00:00:00Z",
        "last": "2026-03-01T10:00:00Z",
    } == parked

    entry = {"tag": "WIT-999", "reading": {"stream": "feed", "of": "mass", "sd": 1}}
    tag = ask("GET", f"{SITE}/mapping", app=plant_app).headers["ETag"]
    more = changed(MAPPING, entries=[*MAPPING["entries"], entry])
    assert 200 == put(plant_app, "/mapping", more, {"If-Match": tag}).status_code

    assert ["parked", "current"] == [r["standing"] for r in _all(plant_app)]
    (parked,) = ask("GET", f"{SITE}/parked-tags", app=plant_app).json()["parked"]
    assert (1, "2025-12-01T00:00:00Z") == (parked["count"], parked["last"])


@pytest.mark.parametrize(
    ("line", "standing"),
    [
        (WEIGHT | {"value": 900}, "current"),
        (WEIGHT | {"value": 900.001}, "out-of-range"),
        (WEIGHT | {"value": 900_000, "unit": "kg"}, "current"),
        (WEIGHT | {"value": 900_001, "unit": "kg"}, "out-of-range"),
        (ASSAY | {"value": -0.01}, "out-of-range"),
        (ASSAY | {"value": 800_000, "unit": "ppm"}, "out-of-range"),
        (ASSAY | {"replicates": [70, 90], "value": None}, "out-of-range"),
        ({k: v for k, v in ASSAY.items() if k != "value"} | {"below": 0.01}, "current"),
        (ASSAY | {"value": None}, "withdrawn"),
        (ASSAY | {"sample_point": "MAG-1", "value": 1e6}, "current"),
    ],
)
def test_a_value_outside_the_valid_range_is_kept_and_marked(
    plant_app: FastAPI, line: dict[str, Any], standing: str
) -> None:
    """The ends are within; units are converted; limits and withdrawn values have no range."""
    reply = _post(plant_app, line)

    assert ["accepted"] == _outcomes(reply)
    assert standing == reply.json()["lines"][0]["standing"]
    assert [standing] == [r["standing"] for r in _all(plant_app, f"?standing={standing}")]


def test_a_unit_that_a_later_mapping_cannot_take_is_told(plant_app: FastAPI) -> None:
    """Parked in %, mapped to a mass: it stays, and stands as unfit."""
    _post(plant_app, WEIGHT | {"tag": "N", "value": 1, "unit": "%"})
    entry = {"tag": "N", "reading": {"stream": "feed", "of": "mass", "sd": 1}}
    tag = ask("GET", f"{SITE}/mapping", app=plant_app).headers["ETag"]
    put(plant_app, "/mapping", changed(MAPPING, entries=[entry]), {"If-Match": tag})

    assert ["unfit"] == [r["standing"] for r in _all(plant_app)]


# --- lists ------------------------------------------------------------------------------------


def test_lists_are_filtered_and_paged_in_the_order_of_time(plant_app: FastAPI) -> None:
    """Each page goes on where the last one ended; filters stay with the links."""
    start = datetime(2026, 3, 1, tzinfo=UTC)
    lines = [
        WEIGHT | {"time": (start + timedelta(hours=h)).isoformat(), "value": h} for h in range(25)
    ]
    lines += [ASSAY | {"time": lines[3]["time"]}]
    _post(plant_app, *reversed(lines))

    found, address = [], f"{READINGS}?stream=feed&tag=WIT-101&from={start.isoformat()}&limit=7"
    address = address.replace("+", "%2B")
    while address:
        page = ask("GET", address, app=plant_app).json()
        found += [r["value"] for r in page["readings"]]
        address = page["next"]

    assert list(range(25)) == found
    assert 1 == len(_all(plant_app, "?analyte=Sn"))
    assert 0 == len(_all(plant_app, "?stream=nonmag"))
    assert 3 == len(_all(plant_app, "?from=2026-03-01T02:00:00Z&to=2026-03-01T04:00:00Z"))
    assert 25 == len(_all(plant_app, "?source=plant%20data%20system"))


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("standing=good", "bad-standing"),
        ("from=2026", "bad-from"),
        ("stream=%00", "bad-stream"),
        ("colour=red", "unknown-parameter"),
        ("cursor=eyJrIjpbInQiLCAidSJdLCJiIjpmYWxzZX0", "bad-cursor"),
    ],
)
def test_a_bad_filter_is_named(plant_app: FastAPI, query: str, code: str) -> None:
    """400 with the parameter's own code."""
    reply = ask("GET", f"{READINGS}?{query}", app=plant_app)

    assert (400, [code]) == (reply.status_code, [f["code"] for f in reply.json()["faults"]])


def test_a_reading_of_another_site_is_not_there(plant_app: FastAPI) -> None:
    """An id leads to a reading of its own site only."""
    reading = _post(plant_app, WEIGHT).json()["lines"][0]["reading"]
    content = json.dumps({"name": "Other", "note": "Invented data."})
    ask("PUT", "/v1/sites/other", app=plant_app, content=content, headers=JSON | plant.NEW)

    assert 200 == ask("GET", f"{READINGS}/{reading}", app=plant_app).status_code
    for address in (
        f"/v1/sites/other/readings/{reading}",
        f"{READINGS}/x",
        f"{READINGS}/{'0' * 32}",
    ):
        assert 404 == ask("GET", address, app=plant_app).status_code
    assert [] == ask("GET", "/v1/sites/other/readings", app=plant_app).json()["readings"]


def test_many_lines_are_taken_at_once(plant_app: FastAPI) -> None:
    """More than one statement holds; all are there, and all repeats are seen."""
    start = datetime(2026, 1, 2, tzinfo=UTC)
    lines = [
        WEIGHT | {"time": (start + timedelta(minutes=m)).isoformat(), "value": 1.0}
        for m in range(2300)
    ]

    first, second = _post(plant_app, *lines).json(), _post(plant_app, *copy.copy(lines)).json()

    assert (2300, 2300) == (first["accepted"], second["repeated"])
