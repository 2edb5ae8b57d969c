"""The tables of either database: as the program means them, forward and back."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

from service.store import Store
from service.store.engine import UnusableUrlError, database_url
from service.store.migrate import is_newest, migrate, newest, revision_of
from service.store.prepare import NotMigratedError, prepare
from service.store.tables import metadata
from tests import databases


@pytest.fixture(params=databases.KINDS)
def empty(request: pytest.FixtureRequest, tmp_path: Path):
    """Give a store without any tables."""
    with databases.empty_database(request.param, tmp_path) as url:
        store = Store(database_url(url))
        yield store
        store.close()


def test_the_migrations_lead_to_the_tables_of_the_program(empty: Store) -> None:
    """After all migrations nothing is left to change."""
    migrate(empty)

    with empty.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert [] == compare_metadata(context, metadata)
        assert newest() == revision_of(connection)


def test_every_migration_can_be_undone(empty: Store) -> None:
    """Back to nothing, and forward again."""
    migrate(empty)
    migrate(empty, "base")
    assert {"alembic_version"} == _tables(empty)

    migrate(empty)

    assert is_newest(empty)


def test_migrations_keep_what_is_stored(plant_url: str) -> None:
    """A step back and forward again leaves the tables that it does not concern as they were."""
    store = Store(database_url(plant_url))
    before = _rows(store, *_OF_FOUNDATION)
    assert all(before.values())

    migrate(store, "0001")
    assert _OF_FOUNDATION == tuple(sorted(_tables(store) - {"alembic_version", "answers"}))
    migrate(store)

    assert before == _rows(store, *_OF_FOUNDATION)
    assert is_newest(store)
    store.close()


def test_tests_came_without_touching_what_was_there(plant_url: str) -> None:
    """The step that brought them takes nothing else away, and gives nothing else."""
    store = Store(database_url(plant_url))
    others = sorted(set(metadata.tables) - {"tests", "test_revisions"})
    before = _rows(store, *others)

    migrate(store, "0004")
    assert {*others, "alembic_version"} == _tables(store)
    migrate(store)

    assert before == _rows(store, *others)
    assert {"tests": [], "test_revisions": []} == _rows(store, "tests", "test_revisions")
    store.close()


_OF_FOUNDATION = ("site_revisions", "sites", "versions")


def _tables(store: Store) -> set[str]:
    with store.reading() as connection:
        return set(sa.inspect(connection).get_table_names())


def _rows(store: Store, *tables: str) -> dict[str, list[tuple[object, ...]]]:
    with store.reading() as connection:
        return {
            name: [tuple(row) for row in connection.execute(sa.select(metadata.tables[name]))]
            for name in tables
        }


def test_an_embedded_file_is_brought_up_by_itself_and_a_shared_database_when_told(
    empty: Store,
) -> None:
    """PostgreSQL serves several; it is migrated once, by whoever is in charge."""
    if not empty.is_embedded:
        with pytest.raises(NotMigratedError, match="evenlode migrate"):
            prepare(empty, migrate_shared=False)

    prepare(empty, migrate_shared=True)

    assert is_newest(empty)


@pytest.mark.parametrize("url", ["sqlite://", "mysql://h/d", "nonsense", "sqlite:///:memory:"])
def test_only_databases_that_last_are_taken(url: str) -> None:
    """A SQLite file or PostgreSQL; nothing else."""
    with pytest.raises(UnusableUrlError):
        database_url(url)
