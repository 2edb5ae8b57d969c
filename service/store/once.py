"""
Postings that are done once, however often they are sent.

The answer is kept in the transaction that stores what the posting brings: after a crash both are
there or neither, and a key without an answer is as good as new.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

import sqlalchemy as sa
from sqlalchemy import Connection

from service.kit.idempotency import Answer, Attempt
from service.kit.instants import now
from service.kit.problems import KEY_IN_USE, KEY_REUSED, RefusalError, refuse

from .store import Store
from .tables import answers

_running: set[tuple[str, str, str]] = set()
_guard = threading.Lock()


def once(
    store: Store, attempt: Attempt, keep_for: timedelta, run: Callable[[Connection], Answer]
) -> Answer:
    """
    Answer a posting: by ``run`` in a writing transaction the first time, as before afterwards.

    Raises
    ------
    RefusalError
        409 while the first sending runs, 422 where the key came with another request; and
        whatever ``run`` refuses, which keeps nothing, so that the key stays free.
    """
    if attempt.key is None:
        with store.writing() as connection:
            return run(connection)
    with _first(store, attempt.scope, attempt.key), store.writing() as connection:
        _lock(store, connection, attempt)
        kept = _kept(connection, attempt)
        if kept is None:
            kept = run(connection)
            _keep(connection, attempt, kept, keep_for)
        return kept


def _in_use() -> RefusalError:
    return refuse(
        KEY_IN_USE,
        "The first request with this key has no answer yet.",
        headers={"Retry-After": "1"},
    )


@contextmanager
def _first(store: Store, scope: str, key: str) -> Iterator[None]:
    """Be the only one of this process at work under a key; the embedded file has no other."""
    entry = (str(store.url), scope, key)
    with _guard:
        if entry in _running:
            raise _in_use()
        _running.add(entry)
    try:
        yield
    finally:
        with _guard:
            _running.discard(entry)


def _lock(store: Store, connection: Connection, attempt: Attempt) -> None:
    """Be the only process at work under a key; the lock falls with the transaction."""
    if store.is_embedded:
        return
    digest = hashlib.sha256(f"{attempt.scope}\n{attempt.key}".encode()).digest()
    number = int.from_bytes(digest[:8], "big", signed=True)
    if not connection.scalar(sa.select(sa.func.pg_try_advisory_xact_lock(number))):
        raise _in_use()


def _kept(connection: Connection, attempt: Attempt) -> Answer | None:
    row = connection.execute(
        sa.select(answers).where(
            answers.c.scope == attempt.scope,
            answers.c.key == attempt.key,
            answers.c.expires_at > now(),
        )
    ).one_or_none()
    if row is None:
        return None
    if row.fingerprint != attempt.fingerprint:
        raise refuse(KEY_REUSED, "The key came before with another request.")
    return Answer(row.status, row.body, row.headers)


def _keep(connection: Connection, attempt: Attempt, answer: Answer, keep_for: timedelta) -> None:
    """Keep an answer, and let those go whose time is over."""
    at = now()
    connection.execute(sa.delete(answers).where(answers.c.expires_at <= at))
    connection.execute(
        sa.insert(answers).values(
            scope=attempt.scope,
            key=attempt.key,
            fingerprint=attempt.fingerprint,
            status=answer.status,
            headers=answer.headers,
            body=answer.body,
            created_at=at,
            expires_at=at + keep_for,
        )
    )
