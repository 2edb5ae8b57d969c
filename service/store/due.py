"""
Balances that fall due: something came that they do not hold yet.

They are marked in the transaction that brings it, so that none is forgotten however the process
ends, and calculated afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import NamedTuple
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import Connection

from service.kit.identifiers import new_id
from service.kit.instants import now

from .tables import due_spells, shift_balances

LEAST = timedelta(microseconds=1)
"""The least step of time in the database."""

REACH = timedelta(days=40)
"""
How far before its time a new version may bear on shifts: the longest lag is a week, and a composite
joins the shifts of a month.
"""


class Due(NamedTuple):
    """A flowsheet over a shift: which balance is meant, and when the shift is."""

    flowsheet: str
    day: date
    shift: str
    start: datetime
    end: datetime


_KEY = [shift_balances.c.flowsheet, shift_balances.c.day, shift_balances.c.shift]
_AT_ONCE = 200


def mark(connection: Connection, site_id: UUID, due: Iterable[Due]) -> None:
    """Mark balances, and make those that are not there yet; the site must be locked."""
    wanted = {(d.flowsheet, d.day, d.shift): d for d in due}
    keys = list(wanted)
    for some in (keys[i : i + _AT_ONCE] for i in range(0, len(keys), _AT_ONCE)):
        query = sa.select(shift_balances.c.id, *_KEY).where(
            shift_balances.c.site_id == site_id, sa.tuple_(*_KEY).in_(some)
        )
        found = connection.execute(query).all()
        present = {(row.flowsheet, row.day, row.shift) for row in found}
        _touch(connection, shift_balances.c.id.in_([row.id for row in found]))
        new = [_new(site_id, wanted[key]) for key in some if key not in present]
        if new:
            connection.execute(sa.insert(shift_balances), new)


def _new(site_id: UUID, due: Due) -> dict[str, object]:
    return {
        "id": new_id(),
        "site_id": site_id,
        **due._asdict(),
        "changes": 0,
        "stale_since": now(),
        "newest": 0,
        "signed": None,
        "problem": None,
    }


def mark_since(connection: Connection, site_id: UUID, since: datetime) -> None:
    """Mark whatever a new flowsheet, mapping or calendar may bear on; the site must be locked."""
    since -= REACH
    of_site = shift_balances.c.site_id == site_id
    _touch(connection, sa.and_(of_site, shift_balances.c.end > since))
    query = sa.select(due_spells.c.since).where(due_spells.c.site_id == site_id)
    known = connection.execute(query).scalar_one_or_none()
    if known is None:
        connection.execute(sa.insert(due_spells).values(site_id=site_id, since=since))
    elif since < known:
        connection.execute(
            sa.update(due_spells).where(due_spells.c.site_id == site_id).values(since=since)
        )


def _touch(connection: Connection, which: sa.ColumnElement[bool]) -> None:
    connection.execute(
        sa.update(shift_balances)
        .where(which)
        .values(
            changes=shift_balances.c.changes + 1,
            stale_since=sa.func.coalesce(shift_balances.c.stale_since, now()),
        )
    )
