"""Tables whose rows are only ever added: the database itself sees to it."""

from __future__ import annotations

from alembic import op


def _is_embedded() -> bool:
    return op.get_bind().dialect.name == "sqlite"


def guard(table: str) -> None:
    """Refuse every change of a table's rows, whoever asks for it."""
    if _is_embedded():
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_refuses_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_refuses() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} is append-only'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_refuses BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_refuses()"
    )


def unguard(table: str) -> None:
    """Take away what is left of a guard once its table is gone."""
    if not _is_embedded():
        op.execute(f"DROP FUNCTION {table}_refuses()")
