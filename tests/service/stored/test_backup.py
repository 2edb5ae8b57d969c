"""Copies of the embedded database: whole, checked, and never over anything."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli import application
from service.kept_tests import repository as tests
from service.kept_tests.repository import Revision
from service.kit.instants import now
from service.kit.media import XLSX
from service.sites import repository as sites
from service.store import Store
from service.store.backup import CopyRefusedError, backup, restore
from service.store.engine import database_url
from service.store.migrate import migrate, newest


@pytest.fixture
def embedded(tmp_path: Path) -> Store:
    """Give a store on a file, with one site."""
    store = Store(database_url(f"sqlite:///{tmp_path / 'plant.db'}"))
    migrate(store)
    _add(store, "first")
    return store


def _add(store: Store, key: str) -> None:
    with store.writing() as connection:
        sites.keep(connection, key, {"name": key}, None)


def _keys(store: Store) -> list[str]:
    with store.reading() as connection:
        return [row[0] for row in connection.exec_driver_sql("SELECT key FROM sites ORDER BY key")]


def test_a_copy_holds_what_was_there_when_it_was_made(embedded: Store, tmp_path: Path) -> None:
    """Restoring it brings that state back, and keeps the later one beside it."""
    assert newest() == backup(embedded, tmp_path / "copy.db")
    _add(embedded, "second")
    embedded.close()

    kept = restore(embedded, tmp_path / "copy.db")

    assert ["first"] == _keys(embedded)
    assert kept is not None
    assert ["first", "second"] == _keys(Store(database_url(f"sqlite:///{kept}")))
    embedded.close()


def test_a_copy_holds_the_sheets_of_tests_byte_by_byte(embedded: Store, tmp_path: Path) -> None:
    """A workbook that came back from a copy is the one that was sent."""
    sheet = bytes(range(256)) * 100
    made = Revision(1, "0" * 64, XLSX, {}, None, None, now(), "{}", sheet)
    with embedded.writing() as connection:
        site = sites.get(connection, "first")
        head = tests.begin(connection, site.id, "One")
        tests.add(connection, head, made, "One")
    backup(embedded, tmp_path / "copy.db")
    embedded.close()

    restore(embedded, tmp_path / "copy.db")

    with embedded.reading() as connection:
        assert made == tests.revision(connection, head.id, 1, record=True, sheet=True)
    embedded.close()


def test_a_copy_made_while_others_write_is_of_one_moment(embedded: Store, tmp_path: Path) -> None:
    """Every transaction is in it whole or not at all: two sites at a time, an odd count never."""
    ending = threading.Event()

    def write() -> None:
        number = 0
        while not ending.is_set():
            with embedded.writing() as connection:
                sites.keep(connection, f"a{number}", {"name": "x" * 500}, None)
                sites.keep(connection, f"b{number}", {"name": "x" * 500}, None)
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for n in range(5):
            backup(embedded, tmp_path / f"copy{n}.db")
    finally:
        ending.set()
        writer.join()
    embedded.close()

    for n in range(5):
        found = _keys(Store(database_url(f"sqlite:///{tmp_path / f'copy{n}.db'}")))
        assert {k[1:] for k in found if k[0] == "a"} == {k[1:] for k in found if k[0] == "b"}


def test_nothing_is_overwritten_and_nothing_is_left_behind(embedded: Store, tmp_path: Path) -> None:
    """An existing file is refused, and a copy that fails leaves no part of itself."""
    (tmp_path / "there.db").write_text("mine")
    with pytest.raises(CopyRefusedError, match="exists"):
        backup(embedded, tmp_path / "there.db")
    with pytest.raises(CopyRefusedError, match="no file"):
        restore(embedded, tmp_path / "none.db")
    (tmp_path / "text.db").write_text("no database")
    embedded.close()
    with pytest.raises(CopyRefusedError):
        restore(embedded, tmp_path / "text.db")

    assert "mine" == (tmp_path / "there.db").read_text()
    assert ["first"] == _keys(embedded)
    assert [] == [p for p in tmp_path.iterdir() if p.name.endswith(".part")]
    embedded.close()


def test_a_copy_of_a_newer_version_or_of_another_program_is_refused(
    embedded: Store, tmp_path: Path
) -> None:
    """Its revision is not known here, or it has none."""
    backup(embedded, tmp_path / "newer.db")
    embedded.close()
    with closing(sqlite3.connect(tmp_path / "newer.db")) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    with closing(sqlite3.connect(tmp_path / "other.db")) as connection, connection:
        connection.execute("CREATE TABLE a (b)")

    for name, why in (("newer.db", "does not know"), ("other.db", "no database of this service")):
        with pytest.raises(CopyRefusedError, match=why):
            restore(embedded, tmp_path / name)
    assert ["first"] == _keys(embedded)
    embedded.close()


def test_a_database_in_use_is_not_replaced(embedded: Store, tmp_path: Path) -> None:
    """Restoring asks for the service to be stopped first."""
    backup(embedded, tmp_path / "copy.db")
    other = Store(embedded.url)
    _keys(other)

    with pytest.raises(CopyRefusedError, match="stop the service"):
        restore(embedded, tmp_path / "copy.db")

    other.close()
    embedded.close()
    restore(embedded, tmp_path / "copy.db")


def test_postgresql_is_left_to_its_own_tools(tmp_path: Path) -> None:
    """The refusal names the tool."""
    store = Store(database_url("postgresql://user@127.0.0.1/none"))

    with pytest.raises(CopyRefusedError, match="pg_dump"):
        backup(store, tmp_path / "a")
    with pytest.raises(CopyRefusedError, match="pg_restore"):
        restore(store, tmp_path / "a")


def test_the_commands_copy_and_put_back(
    embedded: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """'migrate', 'backup' and 'restore' say what they did, and refuse with a status of 2."""
    embedded.close()
    monkeypatch.setenv("EVENLODE_DATABASE_URL", f"sqlite:///{tmp_path / 'plant.db'}")
    copy = str(tmp_path / "copy.db")

    def run(*arguments: str) -> tuple[int, str]:
        done = CliRunner().invoke(application, arguments)
        return done.exit_code, done.output

    assert (0, True) == (run("migrate")[0], newest() in run("migrate")[1])
    assert 0 == run("backup", copy)[0]
    assert (2, True) == ((again := run("backup", copy))[0], "exists" in again[1])
    status, told = run("restore", copy)
    assert (0, True) == (status, "plant.db.before-" in told)
