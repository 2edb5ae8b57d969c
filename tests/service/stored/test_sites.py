"""Sites on either database: made and changed by conditional requests, read, listed."""

from __future__ import annotations

import json

import httpx
import pytest
from fastapi import FastAPI

from tests.service.client import JSON, ask, faults

NEW = {"If-None-Match": "*"}
TIN = {"name": "Tin shed", "note": "Invented data."}


def _put(app: FastAPI, key: str, body: object, headers: dict[str, str]) -> httpx.Response:
    content = json.dumps(body)
    return ask("PUT", f"/v1/sites/{key}", app=app, content=content, headers=JSON | headers)


def test_a_new_site_can_be_read_back(app: FastAPI) -> None:
    """What was put comes back, with an ETag, at the address that the reply names."""
    made = _put(app, "tin-shed", TIN, NEW)
    read = ask("GET", made.headers["Location"], app=app)

    assert (201, 200) == (made.status_code, read.status_code)
    assert made.json() == read.json()
    assert TIN | {"key": "tin-shed", "revision": 1} == {
        member: read.json()[member] for member in ("name", "note", "key", "revision")
    }
    assert made.headers["ETag"] == read.headers["ETag"]


def test_a_write_that_names_no_state_is_refused(app: FastAPI) -> None:
    """Without If-Match or If-None-Match nothing is written: 428."""
    assert 428 == _put(app, "tin-shed", TIN, {}).status_code
    assert 404 == ask("GET", "/v1/sites/tin-shed", app=app).status_code


def test_a_stale_write_is_refused_with_the_present_etag(app: FastAPI) -> None:
    """412 where the state is another than the writer saw; the reply names the present one."""
    first = _put(app, "tin-shed", TIN, NEW)
    second = _put(app, "tin-shed", TIN | {"name": "B"}, {"If-Match": first.headers["ETag"]})
    stale = _put(app, "tin-shed", TIN | {"name": "C"}, {"If-Match": first.headers["ETag"]})

    assert (201, 200, 412) == (first.status_code, second.status_code, stale.status_code)
    assert second.headers["ETag"] == stale.headers["ETag"]
    assert "B" == ask("GET", "/v1/sites/tin-shed", app=app).json()["name"]


@pytest.mark.parametrize(
    ("there", "headers"),
    [
        (True, NEW),
        (False, {"If-Match": "*"}),
        (False, {"If-Match": '"1"'}),
        (True, {"If-Match": 'W/"1"'}),
    ],
    ids=["new but there", "any but none", "one but none", "weak"],
)
def test_what_the_writer_expects_must_be_so(
    app: FastAPI, there: bool, headers: dict[str, str]
) -> None:
    """412 for a new resource that exists, a state of none, and weak tags (RFC 9110, 13.1.1)."""
    if there:
        _put(app, "tin-shed", TIN, NEW)

    assert 412 == _put(app, "tin-shed", TIN | {"name": "B"}, headers).status_code


def test_an_unreadable_etag_is_named(app: FastAPI) -> None:
    """A tag without its quotes is no tag: 400, and how to write it."""
    reply = _put(app, "tin-shed", TIN, {"If-Match": "1"})

    assert 400 == reply.status_code
    assert {"": "bad-etag"} == faults(reply)


def test_a_reader_with_the_present_state_gets_none(app: FastAPI) -> None:
    """304 without a body where the tag is the present one, the whole otherwise."""
    tag = _put(app, "tin-shed", TIN, NEW).headers["ETag"]

    same, other = (
        ask("GET", "/v1/sites/tin-shed", app=app, headers={"If-None-Match": t})
        for t in (f'"x", W/{tag}', '"x"')
    )

    assert (304, b"") == (same.status_code, same.content)
    assert 200 == other.status_code


def test_every_state_of_a_site_is_kept(app: FastAPI) -> None:
    """Changing a site leaves its former states in the database."""
    tag = _put(app, "tin-shed", TIN, NEW).headers["ETag"]
    _put(app, "tin-shed", {"name": "B"}, {"If-Match": tag})

    with app.state.store.reading() as connection:
        kept = connection.exec_driver_sql("SELECT body FROM site_revisions ORDER BY revision").all()

    assert [TIN, {"name": "B"}] == [json.loads(row[0]) for row in kept]


def test_lists_lead_from_page_to_page_and_back(app: FastAPI) -> None:
    """Links of header and body agree; forwards and backwards every site comes once, in order."""
    keys = [f"site-{n:02}" for n in range(7)]
    for key in reversed(keys):
        _put(app, key, TIN, NEW)

    pages, address = [], "/v1/sites?limit=3"
    while address:
        reply = ask("GET", address, app=app)
        pages.append([site["key"] for site in reply.json()["sites"]])
        last, address = address, reply.json()["next"]
        assert (f'<{address}>; rel="next"' in reply.headers.get("Link", "")) == bool(address)
    back = ask("GET", ask("GET", last, app=app).json()["prev"], app=app).json()

    assert [keys[:3], keys[3:6], keys[6:]] == pages
    assert keys[3:6] == [site["key"] for site in back["sites"]]
    assert ask("GET", back["prev"], app=app).json()["prev"] is None


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ("limit=0", ["bad-limit"]),
        ("limit=1001", ["bad-limit"]),
        ("limit=a&cursor=b", ["bad-limit", "bad-cursor"]),
        ("cursor=eyJrIjpbMV0sImIiOmZhbHNlfQ", ["bad-cursor"]),
        ("cursor=eyJrIjpbIlx1ZDgwMCJdLCJiIjpmYWxzZX0", ["bad-cursor"]),
        ("limit=1&limit=2&more=%00", ["repeated-parameter", "unknown-parameter"]),
    ],
)
def test_bad_parameters_are_all_named(app: FastAPI, query: str, codes: list[str]) -> None:
    """400 with each parameter that is unknown, repeated or unreadable."""
    reply = ask("GET", f"/v1/sites?{query}", app=app)

    assert 400 == reply.status_code
    assert codes == [fault["code"] for fault in reply.json()["faults"]]


def test_every_fault_of_a_site_is_told(app: FastAPI) -> None:
    """Unknown members, missing and unreadable ones, and a key that cannot stand in an address."""
    assert {"/name": "missing-field", "/note": "not-text", "/zone": "unknown-field"} == faults(
        _put(app, "tin-shed", {"note": 1, "zone": "x"}, NEW)
    )
    assert {"": "bad-key"} == faults(_put(app, "Tin%20shed", TIN, NEW))
