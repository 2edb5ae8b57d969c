"""The edges of HTTP: limits, media types, methods, ids, defects. Always problem+json."""

import json
import uuid
from collections.abc import AsyncIterator
from typing import Any, NoReturn

import pytest
from fastapi import FastAPI

from service.app import create_app
from service.balances import service
from service.kit.problems import KINDS
from service.kit.settings import Settings

from .client import BALANCES, JSON, ask, minimal, post

PROBLEM = "application/problem+json"


@pytest.fixture(scope="module")
def small_app() -> FastAPI:
    return create_app(Settings(body_limit_bytes=2000))


async def _chunks(size: int, count: int) -> AsyncIterator[bytes]:
    for _ in range(count):
        yield b" " * size


def test_a_declared_length_above_the_limit_is_413(small_app: FastAPI) -> None:
    """The body is refused by its length, and the limit is told."""
    reply = ask("POST", BALANCES, app=small_app, content=b" " * 2001, headers=JSON)

    assert 413 == reply.status_code
    assert PROBLEM == reply.headers["content-type"]
    assert 2000 == reply.json()["limit_bytes"]


def test_a_chunked_body_above_the_limit_is_413(small_app: FastAPI) -> None:
    """A body without a length is counted as it arrives."""
    reply = ask("POST", BALANCES, app=small_app, content=_chunks(500, 5), headers=JSON)

    assert 413 == reply.status_code
    assert "/problems/body-too-large" == reply.json()["type"]


def test_a_chunked_body_within_the_limit_is_read() -> None:
    """A request that comes in pieces is a request like any other."""
    text = json.dumps(minimal()).encode()

    async def pieces() -> AsyncIterator[bytes]:
        for start in range(0, len(text), 100):
            yield text[start : start + 100]

    assert 200 == ask("POST", BALANCES, content=pieces(), headers=JSON).status_code


def test_a_body_of_just_the_limit_is_read() -> None:
    """The limit is the longest body read, not the shortest refused."""
    text = json.dumps(minimal())
    just, below = (create_app(Settings(body_limit_bytes=len(text) - less)) for less in (0, 1))

    assert 200 == post(text, just).status_code
    assert 413 == post(text, below).status_code


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "application/json; charset=utf-16"},
        {"Content-Type": "jason"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
    ],
)
def test_what_is_not_declared_as_plain_json_is_415(headers: dict[str, str]) -> None:
    """The body must be declared as JSON in UTF-8; the reply tells how, for curl too."""
    reply = ask("POST", BALANCES, content=json.dumps(minimal()), headers=headers)

    assert 415 == reply.status_code
    assert PROBLEM == reply.headers["content-type"]
    assert "curl" in reply.json()["detail"]


@pytest.mark.parametrize(
    "kind", ["application/json", "application/json; charset=UTF-8", "Application/Vnd.mine+JSON"]
)
def test_json_by_any_of_its_names_is_read(kind: str) -> None:
    """Parameters, case and structured suffixes do not matter (RFC 6839, RFC 9110)."""
    headers = {"Content-Type": kind}

    assert 200 == ask("POST", BALANCES, content=json.dumps(minimal()), headers=headers).status_code


def test_a_byte_order_mark_is_passed_over() -> None:
    """Some editors write one; RFC 8259 allows a reader to ignore it."""
    assert 200 == post(b"\xef\xbb\xbf" + json.dumps(minimal()).encode()).status_code


def test_an_unknown_address_is_a_problem() -> None:
    """404 has the same form as every other error."""
    reply = ask("GET", "/v1/balance")

    assert 404 == reply.status_code
    assert PROBLEM == reply.headers["content-type"]
    assert "/problems/not-found" == reply.json()["type"]


def test_a_wrong_method_is_a_problem_and_names_the_right_one() -> None:
    """405 keeps the header Allow."""
    reply = ask("GET", BALANCES)

    assert 405 == reply.status_code
    assert "POST" == reply.headers["allow"]
    assert PROBLEM == reply.headers["content-type"]


def test_a_defect_is_a_problem_without_its_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """A failure of the service is 500 with an id; what failed stays in the log."""

    def fail(*_: Any) -> NoReturn:
        raise RuntimeError("secret of the house")

    monkeypatch.setattr(service, "_calculated", fail)

    reply = post(minimal())

    assert 500 == reply.status_code
    assert PROBLEM == reply.headers["content-type"]
    assert reply.json()["instance"] == reply.headers["x-request-id"]
    assert "secret" not in reply.text
    assert "Traceback" not in reply.text


def test_a_request_id_of_the_caller_is_kept() -> None:
    """A harmless id comes back in the header, and in a problem as its instance."""
    reply = ask("GET", "/nowhere", headers={"X-Request-ID": "shift-7.a_b"})

    assert "shift-7.a_b" == reply.headers["x-request-id"]
    assert "shift-7.a_b" == reply.json()["instance"]


@pytest.mark.parametrize("given", ["", "with space", "x" * 65, "<script>"])
def test_a_request_id_that_may_harm_is_replaced(given: str) -> None:
    """Anything but a short word is replaced by an id of our own."""
    reply = ask("GET", "/livez", headers={"X-Request-ID": given})

    assert str(uuid.UUID(reply.headers["x-request-id"])) == reply.headers["x-request-id"]


def test_the_service_tells_that_it_lives() -> None:
    """The liveness probe answers with one word."""
    reply = ask("GET", "/livez")

    assert (200, {"status": "alive"}) == (reply.status_code, reply.json())


def test_every_address_in_the_index_answers() -> None:
    """The index names addresses that are there."""
    index = ask("GET", "/").json()

    for address in (
        *(index[name] for name in ("docs", "openapi", "live", "metrics")),
        *index["problems"].values(),
    ):
        assert 200 == ask("GET", address).status_code, address
    assert 405 == ask("GET", index["balances"]).status_code


@pytest.mark.parametrize("slug", list(KINDS))
def test_each_kind_of_problem_has_a_page(slug: str) -> None:
    """The type of a problem resolves to a page that explains it."""
    page = ask("GET", KINDS[slug].uri)

    assert 200 == page.status_code
    assert "text/html; charset=utf-8" == page.headers["content-type"]
    assert str(KINDS[slug].status) in page.text


def test_an_unknown_kind_of_problem_is_404() -> None:
    """A page that is not there is a problem like any other, and names those that are."""
    reply = ask("GET", "/problems/none")

    assert 404 == reply.status_code
    assert "invalid-request" in reply.json()["detail"]
