"""Postings with an Idempotency-Key on either database: done once, answered as often as sent."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy import Connection

from service.kit.idempotency import Answer, Attempt
from service.kit.problems import RefusalError
from service.sites import repository as sites
from service.store import Store
from service.store.once import _lock, once
from service.store.tables import answers
from service.store.tables import sites as sites_table

DAY = timedelta(days=1)


def _attempt(key: str | None = "k", fingerprint: str = "a", scope: str = "POST /x") -> Attempt:
    return Attempt(scope, key, fingerprint)


def _making(key: str) -> Callable[[Connection], Answer]:
    def run(connection: Connection) -> Answer:
        sites.keep(connection, key, {"name": key}, None)
        return Answer(201, f'{{"key":"{key}"}}', {"Location": f"/v1/sites/{key}"})

    return run


def _count(store: Store) -> int:
    with store.reading() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(sites_table)) or 0


def _status(act: Callable[[], Answer]) -> int:
    try:
        return act().status
    except RefusalError as refusal:
        return refusal.kind.status


def test_the_second_sending_is_answered_like_the_first(store: Store) -> None:
    """Status, body and headers come again, and nothing is done."""
    first = once(store, _attempt(), DAY, _making("a"))
    second = once(store, _attempt(), DAY, _making("b"))

    assert first == second
    assert 1 == _count(store)


def test_a_key_is_of_one_request_only(store: Store) -> None:
    """422 where the key comes with another fingerprint; another scope is another key."""
    once(store, _attempt(), DAY, _making("a"))

    assert 422 == _status(lambda: once(store, _attempt(fingerprint="b"), DAY, _making("b")))
    assert 201 == _status(lambda: once(store, _attempt(scope="POST /y"), DAY, _making("c")))
    assert 2 == _count(store)


def test_a_refusal_keeps_nothing_and_leaves_the_key_free(store: Store) -> None:
    """What a posting did before it failed is undone, and the key can be used again."""

    def fails(connection: Connection) -> Answer:
        _making("a")(connection)
        raise sites.absent("b")

    assert 404 == _status(lambda: once(store, _attempt(), DAY, fails))
    assert 0 == _count(store)
    assert 201 == _status(lambda: once(store, _attempt(fingerprint="b"), DAY, _making("a")))


def test_while_the_first_runs_others_are_told_so(store: Store) -> None:
    """409 until the first has its answer, then that answer."""
    started, go_on = threading.Event(), threading.Event()

    def slow(connection: Connection) -> Answer:
        started.set()
        assert go_on.wait(10)
        return _making("a")(connection)

    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(once, store, _attempt(), DAY, slow)
        assert started.wait(10)
        meanwhile = _status(lambda: once(store, _attempt(), DAY, _making("b")))
        go_on.set()

    assert 409 == meanwhile
    assert first.result() == once(store, _attempt(), DAY, _making("b"))


@pytest.mark.parametrize("stored_url", ["postgresql"], indirect=True)
def test_another_process_at_work_under_the_key_is_seen(store: Store) -> None:
    """On a shared database the key is taken for all processes; the embedded file has but one."""
    other = Store(store.url)

    def run(connection: Connection) -> Answer:
        # As another process would: this one's own note of what runs is not looked at.
        with other.writing() as elsewhere, pytest.raises(RefusalError) as refused:
            _lock(other, elsewhere, _attempt())
        assert 409 == refused.value.kind.status
        return _making("a")(connection)

    once(store, _attempt(), DAY, run)
    other.close()


def test_of_many_at_once_one_is_done(store: Store) -> None:
    """Thirty sendings at the same moment: one site, and every answer is that one or 409."""
    barrier = threading.Barrier(30)

    def send(_: int) -> int:
        barrier.wait()
        return _status(lambda: once(store, _attempt(), DAY, _making("a")))

    with ThreadPoolExecutor(30) as pool:
        told = Counter(pool.map(send, range(30)))

    assert {201, 409} >= set(told)
    assert told[201] >= 1
    assert 1 == _count(store)


def test_answers_are_let_go_after_their_time(store: Store) -> None:
    """An expired key is as good as new, and expired answers do not pile up."""
    for n in range(3):
        once(store, _attempt(f"k{n}"), timedelta(0), _making(f"old-{n}"))

    assert 201 == _status(lambda: once(store, _attempt("k0"), DAY, _making("new")))

    with store.reading() as connection:
        assert ["k0"] == list(connection.scalars(sa.select(answers.c.key)))
    assert 4 == _count(store)


def test_without_a_key_every_sending_is_done(store: Store) -> None:
    """The header is the caller's choice."""
    once(store, _attempt(None), DAY, _making("a"))
    once(store, _attempt(None), DAY, _making("b"))

    assert 2 == _count(store)
