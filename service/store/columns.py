"""Column types that mean the same in both databases."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
"""Every constraint has a name from the first revision: without one none could be dropped."""


class Instant(TypeDecorator[datetime]):
    """A point in time to the microsecond, in UTC: text that sorts in SQLite, timestamptz else."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Give the time in UTC; one without an offset is a defect."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without an offset cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Give the time in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Json(TypeDecorator[Any]):
    """
    A JSON document, kept as text: its members keep their order and its numbers their digits.

    What was signed must come back byte by byte in ten years, which neither database's own type
    promises.
    """

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:  # noqa: ANN401, ARG002
        """Write the document."""
        return None if value is None else json_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:  # noqa: ANN401, ARG002
        """Read the document."""
        return None if value is None else json.loads(value)


def json_text(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """Write JSON in the one form in which it is stored and hashed."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
