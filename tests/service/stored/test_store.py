"""Transactions on either database: whole or not at all, side by side, and told when they fail."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from service.app import create_app
from service.kit.identifiers import new_id
from service.kit.problems import RefusalError
from service.kit.settings import Settings
from service.sites import repository as sites
from service.store import Store
from service.store.engine import database_url
from service.store.tables import site_revisions
from service.store.tables import sites as sites_table
from tests.service.client import ask


class _StopError(Exception):
    """Raised by a test in the middle of a transaction."""


def _fail_after_writing(store: Store) -> None:
    with store.writing() as connection:
        sites.keep(connection, "a", {}, None)
        raise _StopError


def test_a_transaction_that_fails_leaves_nothing(store: Store) -> None:
    """What was written before the failure is undone."""
    with pytest.raises(_StopError):
        _fail_after_writing(store)

    with store.reading() as connection:
        assert sites.find(connection, "a") is None


def test_writers_that_read_first_do_not_lose_writes(store: Store) -> None:
    """Six threads, twenty times read and add one under a lock: 120 is the count."""
    with store.writing() as connection:
        sites.keep(connection, "a", {"n": 0}, None)

    def add(_: int) -> None:
        for _ in range(20):
            with store.writing() as connection:
                site = sites.get(connection, "a", lock=True)
                sites.keep(connection, "a", {"n": site.body["n"] + 1}, site)

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(add, range(6)))

    with store.reading() as connection:
        assert 120 == sites.get(connection, "a").body["n"]


def test_a_reader_sees_one_state(store: Store) -> None:
    """What is committed meanwhile does not show in a reading that has begun."""
    with store.reading() as connection:
        assert sites.find(connection, "a") is None
        with store.writing() as other:
            sites.keep(other, "a", {}, None)
        assert sites.find(connection, "a") is None


def test_a_row_cannot_refer_to_nothing(store: Store) -> None:
    """References are enforced in both databases."""
    with pytest.raises(sa.exc.IntegrityError), store.writing() as connection:
        connection.execute(
            sa.insert(site_revisions).values(
                site_id=new_id(), revision=1, body={}, changed_at=datetime.now(UTC)
            )
        )


@pytest.mark.parametrize(
    "body",
    [
        {"text": "°C \u0000 \u2028 😀", "number": 0.1 + 0.2, "tiny": 5e-324, "big": 2**53},
        {"z": 1, "a": [None, True, {"ü": -0.0}]},
    ],
)
def test_documents_come_back_as_they_went_in(store: Store, body: dict[str, object]) -> None:
    """Every character, the order of members, and every bit of every number."""
    with store.writing() as connection:
        sites.keep(connection, "a", body, None)

    with store.reading() as connection:
        found = sites.get(connection, "a").body
    assert repr(body) == repr(found)


def test_times_come_back_in_utc_to_the_microsecond(store: Store) -> None:
    """An offset changes nothing of the time; order is kept on the way."""
    given = datetime(2026, 3, 1, 6, 0, 0, 1, timezone(timedelta(hours=8)))
    with store.writing() as connection:
        sites.keep(connection, "a", {}, None)
        connection.execute(sa.update(sites_table).values(created_at=given))

    with store.reading() as connection:
        found = sites.get(connection, "a").created_at
        earlier = sites_table.c.created_at > given - timedelta(microseconds=1)
        later = sites_table.c.created_at < given + timedelta(microseconds=1)
        assert connection.scalar(sa.select(sa.func.count()).where(earlier, later)) == 1
    assert (given, UTC) == (found, found.tzinfo)


def test_ids_are_in_the_order_of_their_making() -> None:
    """Version 7, and each greater than the one made a millisecond before."""
    first = new_id()
    threading.Event().wait(0.002)
    second = new_id()

    assert (7, 7) == (first.version, second.version)
    assert first < second


def test_a_writer_waits_for_its_time_and_is_told_then(store: Store) -> None:
    """503 with Retry-After after the wait that is set, not for ever and not at once."""
    impatient = Store(store.url, wait_s=0.3)
    with store.writing() as connection:
        sites.keep(connection, "a", {}, None)

    with store.writing() as connection:
        sites.get(connection, "a", lock=True)
        with pytest.raises(RefusalError) as refused, impatient.writing() as other:
            sites.get(other, "a", lock=True)
    impatient.close()

    assert 503 == refused.value.kind.status
    assert "Retry-After" in refused.value.headers


@pytest.mark.parametrize(
    "url", ["sqlite:////proc/none/a.db", "postgresql://nobody@127.0.0.1:1/none"]
)
def test_a_database_that_cannot_be_reached_is_told_as_such(url: str) -> None:
    """503 with a problem of its own, on the first request and without a trace in the reply."""
    try:
        app: FastAPI = create_app(Settings(database_url=url, database_wait_s=2))
        reply = ask("GET", "/v1/sites", app=app)
    finally:
        app.state.store.close()

    assert 503 == reply.status_code
    assert "/problems/store-unavailable" == reply.json()["type"]
    assert "Retry-After" in reply.headers


def test_nothing_is_made_before_the_first_use(tmp_path: Path) -> None:
    """The contract can be written, and balances made, without any database."""
    file = tmp_path / "folder" / "a.db"
    Store(database_url(f"sqlite:///{file}")).close()

    assert not file.parent.exists()
