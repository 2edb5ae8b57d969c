"""Tests of a site: kept with their sheets, corrected by revisions, on both databases."""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI
from sqlalchemy.exc import DatabaseError

from service.app import create_app
from service.kit.media import CSV, XLSX
from service.kit.settings import Settings
from service.store.tables import test_revisions as revisions_table
from service.tests.schemas import MINIMAL_SHEET
from service.tests.schemas import TestSheet as Sheet
from service.tests.spreadsheet.service import sheet_of
from tests.service.client import JSON, ask

TESTS = "/v1/sites/lab/tests"
WHO = {"person": "A. Metallurgist", "reason": "tare read from the wrong tray"}
BOOK = {"Content-Type": XLSX}


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service with a site."""
    made = create_app(Settings(database_url=stored_url))
    body = json.dumps({"name": "Laboratory", "note": "Invented data."})
    new = JSON | {"If-None-Match": "*"}
    assert 201 == ask("PUT", "/v1/sites/lab", app=made, content=body, headers=new).status_code
    yield made
    made.state.store.close()


def _corrected(tare: float = 112.2) -> dict[str, Any]:
    sheet = copy.deepcopy(MINIMAL_SHEET)
    sheet["passes"][0]["products"][0]["tare"] = tare  # type: ignore[index]
    return sheet


def _keep(
    app: FastAPI, content: bytes | None = None, headers: dict[str, str] = JSON
) -> httpx.Response:
    body = json.dumps(MINIMAL_SHEET).encode() if content is None else content
    return ask("POST", TESTS, app=app, content=body, headers=headers)


def _correct(
    app: FastAPI,
    kept: httpx.Response,
    content: bytes,
    headers: dict[str, str] = JSON,
    who: dict[str, str] = WHO,
) -> httpx.Response:
    conditional = {"If-Match": kept.headers["etag"]} | headers
    address = f"{kept.headers['location']}/revisions?{urlencode(who)}"
    return ask("POST", address, app=app, content=content, headers=conditional)


def _get(app: FastAPI, address: str) -> httpx.Response:
    found = ask("GET", address, app=app)
    assert 200 == found.status_code, found.text
    return found


def test_a_test_is_kept_with_its_sheet_and_what_came_out(app: FastAPI) -> None:
    kept = _keep(app)

    assert 201 == kept.status_code, kept.text
    assert ("closed", 1, None) == tuple(kept.json()[n] for n in ("outcome", "revision", "reason"))
    told = _get(app, kept.headers["location"])
    assert kept.headers["etag"] == told.headers["etag"]
    assert MINIMAL_SHEET == told.json()["sheet"]
    assert "closed" == told.json()["balance"]["outcome"]
    assert ["pass 1"] == [p["name"] for p in told.json()["balance"]["passes"]]


@pytest.mark.parametrize("kind", [XLSX, CSV])
def test_a_sheet_comes_back_byte_by_byte(app: FastAPI, kind: str) -> None:
    """Beside what was read from it, the workbook itself is kept."""
    content = sheet_of(Sheet.model_validate(MINIMAL_SHEET), kind)

    kept = _keep(app, content, {"Content-Type": kind})

    found = _get(app, f"{kept.headers['location']}/sheet")
    assert kind == found.headers["content-type"].partition(";")[0]
    assert content == found.content
    assert f".{'csv' if kind == CSV else 'xlsx'}" in found.headers["content-disposition"]


def test_the_digest_is_that_of_the_record_and_the_same_for_the_same_sheet(app: FastAPI) -> None:
    first, second = _keep(app), _keep(app)

    assert first.json()["test"] != second.json()["test"]
    assert first.json()["digest"] == second.json()["digest"]
    record = _get(app, f"{first.headers['location']}/revisions/1/record")
    assert first.json()["digest"] == hashlib.sha256(record.content).hexdigest()
    told = record.json()
    assert {"form", "sheet", "settings", "engine", "result"} == told.keys()
    sent = json.dumps(MINIMAL_SHEET).encode()
    assert hashlib.sha256(sent).hexdigest() == told["sheet"]["digest"]


def test_a_correction_is_a_further_revision_with_its_reason(app: FastAPI) -> None:
    """By another form of sheet if need be; nothing of the earlier one is lost."""
    kept = _keep(app)
    content = sheet_of(Sheet.model_validate(_corrected()), XLSX)

    corrected = _correct(app, kept, content, BOOK)

    assert 201 == corrected.status_code, corrected.text
    address = kept.headers["location"]
    listed = _get(app, f"{address}/revisions").json()["revisions"]
    assert [(1, None), (2, WHO["reason"])] == [(r["revision"], r["reason"]) for r in listed]
    assert [JSON["Content-Type"], XLSX] == [r["media_type"] for r in listed]
    assert 2 == _get(app, address).json()["revision"]
    first = _get(app, f"{address}/revisions/1").json()
    assert (1, 2, MINIMAL_SHEET) == (first["revision"], first["newest"], first["sheet"])
    assert content == _get(app, f"{address}/revisions/2/sheet").content


def test_a_correction_stands_in_the_trail(app: FastAPI) -> None:
    kept = _keep(app)
    corrected = _correct(app, kept, json.dumps(_corrected()).encode())

    (entry,) = _get(app, "/v1/sites/lab/trail").json()["entries"]

    assert ("correct", *WHO.values()) == tuple(entry[n] for n in ("kind", "person", "reason"))
    assert {
        "test": kept.headers["location"],
        "revision": 2,
        "digest": corrected.json()["digest"],
    } == entry["about"]


def test_two_revisions_are_compared_in_the_words_of_the_sheet(app: FastAPI) -> None:
    kept = _keep(app)
    _correct(app, kept, json.dumps(_corrected(100.0)).encode())

    told = _get(app, f"{kept.headers['location']}/revisions/2/changes").json()

    expected = {"entry": "Pass 1, tray 'mag 1', tare", "before": 112.6, "after": 100.0}
    assert [expected] == told["entries"]
    assert "Pass 1, tray 'mag 1', tare: 112.6 -> 100.0." == told["statements"][0]
    assert "mass of 'mag 1'" in [figure["figure"] for figure in told["figures"]]


def test_a_correction_of_what_changed_meanwhile_is_refused(app: FastAPI) -> None:
    kept = _keep(app)
    content = json.dumps(_corrected()).encode()
    _correct(app, kept, content)

    again = _correct(app, kept, json.dumps(_corrected(111.0)).encode())
    unconditional = ask(
        "POST",
        f"{kept.headers['location']}/revisions?{urlencode(WHO)}",
        app=app,
        content=content,
        headers=JSON,
    )

    assert 412 == again.status_code
    assert 428 == unconditional.status_code
    assert 2 == len(_get(app, f"{kept.headers['location']}/revisions").json()["revisions"])


def test_a_sheet_that_leads_to_what_is_kept_makes_no_further_revision(app: FastAPI) -> None:
    kept = _keep(app)

    again = _correct(app, kept, json.dumps(MINIMAL_SHEET).encode())

    assert (200, 1) == (again.status_code, again.json()["revision"])
    assert [] == _get(app, "/v1/sites/lab/trail").json()["entries"]


@pytest.mark.parametrize("missing", ["person", "reason"])
def test_a_correction_needs_a_person_and_a_reason(app: FastAPI, missing: str) -> None:
    kept = _keep(app)
    who = {name: value for name, value in WHO.items() if name != missing}

    refused = _correct(app, kept, json.dumps(_corrected()).encode(), who=who)

    assert 400 == refused.status_code
    assert f"'{missing}' is missing" in refused.json()["faults"][0]["detail"]


def test_what_is_sent_again_with_its_key_is_kept_once(app: FastAPI) -> None:
    keyed = JSON | {"Idempotency-Key": "a-test-of-monday"}
    kept = [_keep(app, headers=keyed) for _ in range(2)]
    content = json.dumps(_corrected()).encode()
    keyed = JSON | {"Idempotency-Key": "its-correction"}

    corrected = [_correct(app, kept[0], content, keyed) for _ in range(2)]
    other = _keep(app, content, JSON | {"Idempotency-Key": "a-test-of-monday"})

    assert kept[0].json() == kept[1].json()
    assert corrected[0].json() == corrected[1].json()
    assert 422 == other.status_code
    assert 1 == len(_get(app, TESTS).json()["tests"])
    assert 2 == _get(app, kept[0].headers["location"]).json()["newest"]


def test_a_faulty_sheet_is_refused_by_cell_and_nothing_is_kept(app: FastAPI) -> None:
    wrong = _corrected(tare=2000.0)
    content = sheet_of(Sheet.model_validate(wrong), XLSX)

    refused = _keep(app, content, BOOK)

    assert 422 == refused.status_code
    (fault,) = refused.json()["faults"]
    assert ("sheet 'Trays', cell E5", "gross-below-tare") == (fault["cell"], fault["code"])
    assert [] == _get(app, TESTS).json()["tests"]


def test_tests_are_listed_in_pages_and_as_a_table(app: FastAPI) -> None:
    for number in range(3):
        _keep(app, json.dumps({**MINIMAL_SHEET, "title": f"Test {number}"}).encode())

    first = _get(app, f"{TESTS}?limit=2").json()
    rest = _get(app, first["next"]).json()
    table = ask("GET", TESTS, app=app, headers={"Accept": CSV}).text

    titles = [entry["title"] for page in (first, rest) for entry in page["tests"]]
    assert ["Test 0", "Test 1", "Test 2"] == titles
    assert table.startswith("test,title,revision,")
    assert 4 == len(table.splitlines())


def test_what_is_not_there_is_told_so(app: FastAPI) -> None:
    kept = _keep(app)
    address = kept.headers["location"]
    other = ask("POST", "/v1/sites/none/tests", app=app, content="{}", headers=JSON)

    assert 404 == other.status_code
    for absent in (
        f"{TESTS}/nonsense",
        f"{TESTS}/0195a4a0-1c00-7a00-8000-000000000007",
        f"{address}/revisions/2",
        f"{address}/revisions/0/sheet",
        f"{address}/revisions/1/changes",
    ):
        assert 404 == ask("GET", absent, app=app).status_code, absent


def test_a_reader_who_has_the_newest_state_is_told_so(app: FastAPI) -> None:
    kept = _keep(app)
    headers = {"If-None-Match": kept.headers["etag"]}

    for address in (kept.headers["location"], f"{kept.headers['location']}/sheet"):
        assert 304 == ask("GET", address, app=app, headers=headers).status_code


def test_the_database_refuses_to_change_or_delete_a_revision(app: FastAPI) -> None:
    _keep(app)

    for act in (sa.update(revisions_table).values(reason="x"), sa.delete(revisions_table)):
        with pytest.raises(DatabaseError), app.state.store.writing() as connection:
            connection.execute(act)


def test_the_report_of_a_kept_test_is_made_of_what_was_kept(app: FastAPI) -> None:
    """By 'Accept', with revision and digest on it; the same revision gives the same bytes."""
    kept = _keep(app)
    corrected = _correct(app, kept, json.dumps(_corrected()).encode())
    address, wanted = kept.headers["location"], {"Accept": "text/html"}

    newest = ask("GET", address, app=app, headers=wanted)
    second = ask("GET", f"{address}/revisions/2", app=app, headers=wanted)
    again = ask("GET", address, app=app, headers=wanted | {"If-None-Match": newest.headers["etag"]})

    assert newest.content == second.content
    for told in (corrected.json()["digest"], "2 of 2", "tare read from the wrong tray"):
        assert told in newest.text
    assert newest.headers["etag"] != _get(app, address).headers["etag"]
    assert 304 == again.status_code
    assert 406 == ask("GET", address, app=app, headers={"Accept": "image/png"}).status_code
