"""The commands about kept balances: calculate, replay, trail."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
import sqlalchemy as sa
from click.testing import Result
from fastapi import FastAPI
from typer.testing import CliRunner

from service.app import create_app
from service.cli import application
from service.kit.settings import Settings
from service.shifts import record
from service.shifts.replay import ALIKE, CHANGED, IDENTICAL, compared
from service.store.tables import balance_revisions
from tests.service.client import ask
from tests.service.stored.plant import SITE
from tests.service.stored.shift_plant import BALANCE, build, calculate, post, shift_readings, sign

Command = Callable[..., Result]


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service with the plant and the readings of a shift."""
    made = create_app(Settings(database_url=stored_url, answer_within_s=300))
    build(made)
    post(made, shift_readings(0))
    yield made
    made.state.store.close()


@pytest.fixture
def command(stored_url: str, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Run 'evenlode shifts' on the same database."""
    monkeypatch.setenv("EVENLODE_DATABASE_URL", stored_url)

    def run(*words: str) -> Result:
        return CliRunner().invoke(application, ["shifts", *words])

    return run


def test_what_is_due_is_calculated_without_a_service(app: FastAPI, command: Command) -> None:
    """Each balance with its address; the service tells the same afterwards."""
    done = command("calculate", "tin-shed")

    assert (0, f"{BALANCE}\tcalculated\n") == (done.exit_code, done.stdout)
    assert ("open", False) == tuple(
        ask("GET", BALANCE, app=app).json()[name] for name in ("standing", "stale")
    )
    assert "" == command("calculate", "tin-shed").stdout


def test_replay_on_the_same_build_gives_the_same_bytes(app: FastAPI, command: Command) -> None:
    """Nothing is stored by it."""
    calculate(app)

    done = command("replay", "tin-shed")

    assert (0, f"{BALANCE}\t1\topen\tidentical\n1 identical\n") == (done.exit_code, done.stdout)
    assert 1 == ask("GET", BALANCE, app=app).json()["newest"]


def test_replay_tells_what_a_new_engine_would_change_and_changes_nothing(
    app: FastAPI, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An engine that recovers a hundredth more: told in words, exit status 1, the signed stays."""
    sign(app, calculate(app))
    before = ask("GET", f"{BALANCE}/revisions/1/record", app=app).content
    as_it_is = record.result_of

    def otherwise(request: dict, settings: Settings) -> dict:
        found = as_it_is(request, settings)
        for stream in found["streams"]:
            stream["mass"]["value"] *= 1.01
        return found

    monkeypatch.setattr(record, "result_of", otherwise)

    done = command("replay", "tin-shed")

    assert 1 == done.exit_code
    assert f"{BALANCE}\t1\tsigned\tchanged\n" in done.stdout
    assert "  Mass of 'feed': " in done.stdout
    assert before == ask("GET", f"{BALANCE}/revisions/1/record", app=app).content


def test_rounding_is_told_apart_from_a_change(app: FastAPI) -> None:
    """A last bit is alike, a tenth of a standard deviation is a change."""
    calculate(app)
    kept = ask("GET", f"{BALANCE}/revisions/1/record", app=app).json
    same, rounded, changed = kept(), kept(), kept()
    mass = rounded["result"]["streams"][0]["mass"]
    mass["value"] *= 1 + 1e-14
    mass = changed["result"]["streams"][0]["mass"]
    mass["value"] += 0.1 * mass["sd"]

    assert [IDENTICAL, ALIKE, CHANGED] == [
        compared(kept(), other)[0] for other in (same, rounded, changed)
    ]


def test_the_trail_is_printed_and_its_chain_checked(app: FastAPI, command: Command) -> None:
    """Whole: status 0."""
    sign(app, calculate(app))

    done = command("trail", "tin-shed")

    assert 0 == done.exit_code
    assert "\tsign\tA. Metallurgist\tall assays final\n" in done.stdout


@pytest.mark.usefixtures("app")
def test_what_is_not_there_is_told(command: Command) -> None:
    """Another site, or a time that is none: status 2, and why."""
    for words in (("replay", "elsewhere"), ("replay", "tin-shed", "--from", "yesterday")):
        assert 2 == command(*words).exit_code


def test_a_record_that_was_tampered_with_is_not_signed(app: FastAPI) -> None:
    """Someone takes the guard away and changes a record: its digest gives it away."""
    balance = calculate(app)
    store = app.state.store
    on = "" if store.is_embedded else " ON balance_revisions"
    guard = "balance_revisions_refuses" + ("_update" if store.is_embedded else "")
    with store.writing() as connection:
        connection.execute(sa.text(f"DROP TRIGGER {guard}{on}"))
        connection.execute(sa.update(balance_revisions).values(record="{}"))

    assert 500 == sign(app, balance).status_code
    assert [] == ask("GET", f"{SITE}/trail", app=app).json()["entries"]
