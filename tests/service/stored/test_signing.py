"""What persons sign and decide: bound to a digest, in a trail that cannot be altered."""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import anyio
import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from service.access import service as access
from service.app import create_app
from service.kit.caller import Scope
from service.kit.settings import Settings
from service.shifts import trail
from service.store import Store
from service.store.tables import balance_revisions, sites
from service.store.tables import trail as trail_table
from tests.service.client import JSON, ask
from tests.service.stored.plant import SITE
from tests.service.stored.shift_plant import (
    BALANCE,
    build,
    calculate,
    decide,
    post,
    send,
    shift_readings,
    sign,
    signature,
)

UNLOCKING = {"revision": 1, "person": "A. Metallurgist", "reason": "umpire assay came in"}


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service with the plant and the readings of a shift."""
    made = create_app(Settings(database_url=stored_url, answer_within_s=300))
    build(made)
    post(made, shift_readings(0))
    yield made
    made.state.store.close()


@pytest.fixture
def store(app: FastAPI) -> Store:
    """Give the store of that service."""
    found: Store = app.state.store
    return found


def _corrected() -> list[dict]:
    """Give a correction of one reading."""
    return [shift_readings(0)[0] | {"version": 2, "value": 805.0}]


def test_a_signature_binds_digest_person_time_and_meaning(app: FastAPI) -> None:
    """All of it stands in the trail, and with the balance."""
    balance = calculate(app)

    signed = sign(app, balance)

    assert 201 == signed.status_code
    entry = signed.json()
    about = {"balance": BALANCE, "revision": 1, "digest": balance.json()["digest"]}
    assert about | {"meaning": "approved for the monthly balance"} == entry["about"]
    assert ("sign", "A. Metallurgist", {"id": "", "name": "this machine"}) == (
        entry["kind"],
        entry["person"],
        entry["key"],
    )
    told = ask("GET", BALANCE, app=app)
    assert signed.headers["etag"] == told.headers["etag"]
    assert ("signed", entry["at"]) == (told.json()["standing"], told.json()["signature"]["at"])


def test_later_readings_open_a_proposal_and_change_nothing_signed(app: FastAPI) -> None:
    """The signed revision goes on to count, bit by bit; the proposal stands beside it."""
    sign(app, calculate(app))
    before = ask("GET", f"{BALANCE}/revisions/1/record", app=app).content
    signed = ask("GET", BALANCE, app=app).json()
    post(app, _corrected())

    told = calculate(app).json()

    assert ("proposed", 1, 2) == (told["standing"], told["revision"], told["newest"])
    assert signed["balance"] == told["balance"]
    assert before == ask("GET", f"{BALANCE}/revisions/1/record", app=app).content
    proposal = ask("GET", f"{BALANCE}/revisions/2", app=app).json()
    assert "proposed" == proposal["standing"]
    assert proposal["balance"] != told["balance"]


def test_unlocking_lets_the_newest_count_and_leaves_the_signature_in_the_trail(
    app: FastAPI,
) -> None:
    """Then the proposal can be signed in its turn."""
    sign(app, calculate(app))
    post(app, _corrected())
    proposed = calculate(app)
    headers = {"If-Match": proposed.headers["etag"]}

    unlocked = send(app, f"{BALANCE}/unlockings", UNLOCKING, headers)
    again = sign(app, calculate(app))

    assert (201, 201) == (unlocked.status_code, again.status_code)
    entries = ask("GET", f"{SITE}/trail", app=app).json()["entries"]
    assert ["sign", "unlock", "sign"] == [entry["kind"] for entry in entries]
    assert 2 == ask("GET", BALANCE, app=app).json()["signature"]["revision"]


def test_a_stale_revision_cannot_be_signed(app: FastAPI) -> None:
    """Neither what new readings overtook nor what a newer revision did; each is named."""
    first = calculate(app)
    post(app, _corrected())
    waiting = ask("GET", BALANCE, app=app)

    overtaken = sign(app, first)
    due = sign(app, waiting)
    second = calculate(app)
    old = sign(app, second, revision=1, digest=first.json()["digest"])

    assert 412 == overtaken.status_code
    assert (409, "/problems/stale-revision") == (due.status_code, due.json()["type"])
    assert (409, "/problems/stale-revision") == (old.status_code, old.json()["type"])
    assert [] == ask("GET", f"{SITE}/trail", app=app).json()["entries"]


def test_what_is_refused_of_a_signature_is_named(app: FastAPI) -> None:
    """Without the state seen, of another content, twice, or never signed."""
    balance = calculate(app)
    blind = send(app, f"{BALANCE}/signatures", signature(balance))
    other = sign(app, balance, digest="0" * 64)
    headers = {"If-Match": balance.headers["etag"]}
    early = send(app, f"{BALANCE}/unlockings", UNLOCKING, headers)
    sign(app, balance)
    twice = sign(app, ask("GET", BALANCE, app=app))

    assert 428 == blind.status_code
    assert "digest-differs" == other.json()["faults"][0]["code"]
    assert "/problems/not-signed" == early.json()["type"]
    assert "/problems/already-signed" == twice.json()["type"]


def test_the_trail_names_the_key_that_a_signature_came_with(app: FastAPI, store: Store) -> None:
    """The stated person and whose key it was stand side by side; another scope signs nothing."""
    balance = calculate(app)
    reader = access.create(store, "screen in the control room", [Scope.READ])
    signer = access.create(store, "metallurgy", [Scope.SIGN])
    headers = {"If-Match": balance.headers["etag"]}

    refused, signed = (
        send(
            app,
            f"{BALANCE}/signatures",
            signature(balance),
            headers | {"Authorization": f"Bearer {key}"},
        )
        for key in (reader, signer)
    )

    assert (403, 201) == (refused.status_code, signed.status_code)
    assert ("A. Metallurgist", "metallurgy") == (
        signed.json()["person"],
        signed.json()["key"]["name"],
    )
    assert signed.json()["key"]["id"]


def test_of_many_who_calculate_at_once_one_makes_a_revision(app: FastAPI) -> None:
    """All of them are given the same."""

    async def at_once() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return await asyncio.gather(*(client.post(BALANCE) for _ in range(4)))

    made = [answer.json() for answer in anyio.run(at_once)]

    assert [1] * 4 == [one["newest"] for one in made]
    assert 1 == len({one["digest"] for one in made})


def test_of_many_who_sign_at_once_one_does(app: FastAPI) -> None:
    """The others are told that the balance changed meanwhile, or that it is signed."""
    balance = calculate(app)

    with ThreadPoolExecutor(8) as pool:
        done = list(pool.map(lambda n: sign(app, balance, person=f"Person {n}"), range(8)))

    statuses = sorted(answer.status_code for answer in done)
    assert 201 == statuses[0]
    assert {409, 412} >= set(statuses[1:])
    assert 1 == len(ask("GET", f"{SITE}/trail", app=app).json()["entries"])


def test_a_reading_and_a_signature_at_once_leave_no_doubt(app: FastAPI) -> None:
    """Whichever comes first: a balance that was signed is stale, or it was not signed."""
    balance = calculate(app)

    with ThreadPoolExecutor(2) as pool:
        posting = pool.submit(post, app, _corrected())
        signing = pool.submit(sign, app, balance)
        posting.result()
        signed = signing.result()

    told = ask("GET", BALANCE, app=app).json()
    assert told["stale"]
    assert (signed.status_code == 201) == (told["standing"] == "signed")


def test_a_signature_sent_again_under_its_key_is_answered_again(app: FastAPI) -> None:
    """An answer that was lost on the way costs no second entry."""
    balance = calculate(app)
    headers = {"If-Match": balance.headers["etag"], "Idempotency-Key": "sign-1"}

    first, again = (
        send(app, f"{BALANCE}/signatures", signature(balance), headers) for _ in range(2)
    )

    assert (201, first.content) == (again.status_code, again.content)
    assert 1 == len(ask("GET", f"{SITE}/trail", app=app).json()["entries"])


def test_the_database_refuses_to_alter_the_trail_or_a_revision(app: FastAPI, store: Store) -> None:
    """Whoever asks: no row of either is changed or deleted."""
    sign(app, calculate(app))

    for statement in (
        sa.update(trail_table).values(body="{}"),
        sa.delete(trail_table),
        sa.update(balance_revisions).values(record="{}"),
        sa.delete(balance_revisions),
    ):
        with pytest.raises(sa.exc.DBAPIError, match="append-only"), store.writing() as connection:
            connection.execute(statement)


def test_the_chain_of_the_trail_tells_what_the_database_could_not_prevent(
    app: FastAPI, store: Store
) -> None:
    """Someone takes the guard away and changes a reason: the chain is broken from there on."""
    sign(app, calculate(app))
    decide(app, "FEED", "leave out")
    decide(app, "FEED", "undo")
    with store.reading() as connection:
        site_id = connection.scalar(sa.select(sites.c.id))
        assert [] == list(trail.breaks(connection, site_id))
    with store.writing() as connection:
        connection.execute(sa.text(_without_guard(store)))
        row = connection.execute(sa.select(trail_table).where(trail_table.c.number == 2)).one()
        body = json.dumps(json.loads(row.body) | {"reason": "no reason"})
        digest = hashlib.sha256(body.encode()).hexdigest()
        connection.execute(
            sa.update(trail_table)
            .where(trail_table.c.id == row.id)
            .values(body=body, digest=digest)
        )

    with store.reading() as connection:
        found = list(trail.breaks(connection, site_id))

    assert ["Entry 3 does not follow the one before it."] == found


def _without_guard(store: Store) -> str:
    on = "" if store.is_embedded else " ON trail"
    name = "trail_refuses_update" if store.is_embedded else "trail_refuses"
    return f"DROP TRIGGER {name}{on}"


def test_signing_takes_json_alone(app: FastAPI) -> None:
    """A body that is none is refused like any other."""
    headers = JSON | {"If-Match": '"0-1"'}

    refused = ask("POST", f"{BALANCE}/signatures", app=app, content="{", headers=headers)

    assert 400 == refused.status_code
