"""Reports of kept balances."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from service.app import create_app
from service.kit.figures import plus_minus
from service.kit.media import HTML
from service.kit.settings import Settings
from tests.service.client import ask
from tests.service.stored.shift_plant import BALANCE, build, calculate, post, shift_readings, sign

AS_PAGE = {"Accept": HTML}


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service with the plant and the readings of one shift."""
    made = create_app(Settings(database_url=stored_url, answer_within_s=300))
    build(made)
    post(made, shift_readings(0))
    yield made
    made.state.store.close()


def test_a_kept_balance_comes_as_a_report(app: FastAPI) -> None:
    """With the figures that it was kept with, its shift, its digest and who signed it."""
    none_yet = ask("GET", BALANCE, app=app, headers=AS_PAGE)
    kept = calculate(app)
    sign(app, kept)

    told = ask("GET", BALANCE, app=app)
    reply = ask("GET", BALANCE, app=app, headers=AS_PAGE)

    assert 404 == none_yet.status_code
    assert HTML == reply.headers["content-type"].partition(";")[0]
    for stream in told.json()["balance"]["streams"]:
        assert plus_minus(stream["mass"]["value"], stream["mass"]["sd"]) in reply.text
    for words in (told.json()["digest"], told.json()["shift"]["key"], "A. Metallurgist"):
        assert words in reply.text


def test_each_form_has_a_tag_of_its_own(app: FastAPI) -> None:
    """Who has the page is told so; the tag of JSON does not stand for it (RFC 9110, 8.8.3)."""
    calculate(app)
    address = f"{BALANCE}/revisions/1"
    of_json, of_page = (
        ask("GET", address, app=app, headers={"Accept": kind})
        for kind in ("application/json", HTML)
    )

    again = ask(
        "GET", address, app=app, headers=AS_PAGE | {"If-None-Match": of_page.headers["etag"]}
    )
    other = ask(
        "GET", address, app=app, headers=AS_PAGE | {"If-None-Match": of_json.headers["etag"]}
    )

    assert of_json.headers["etag"] != of_page.headers["etag"]
    assert (304, 200) == (again.status_code, other.status_code)
    assert {"Accept"} == {r.headers["vary"] for r in (of_json, of_page, again)}
