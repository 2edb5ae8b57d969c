"""Pages of a query in keyset order, the same in both databases."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy import ColumnElement, Connection, Select

from service.kit.paging import Page, Paging


def page_of(
    connection: Connection,
    query: Select[tuple[object, ...]],
    keys: Sequence[ColumnElement[object]],
    paging: Paging,
) -> Page:
    """
    Give one page of a query; ``keys`` order it, and are among its columns under their names.

    One row more than asked for is read, which tells whether there is a further page.
    """
    if paging.after is not None:
        here = sa.tuple_(*keys)
        there = sa.tuple_(*(sa.literal(v, k.type) for v, k in zip(paging.after, keys, strict=True)))
        query = query.where(here < there if paging.backwards else here > there)
    order = [k.desc() if paging.backwards else k.asc() for k in keys]
    rows = list(connection.execute(query.order_by(*order).limit(paging.limit + 1)))
    is_more = len(rows) > paging.limit
    rows = rows[: paging.limit]
    if paging.backwards:
        rows = rows[::-1]
    names = [str(getattr(k, "key", "")) for k in keys]
    ends = [tuple(getattr(row, name) for name in names) for row in (rows[:1] + rows[-1:])]
    follows = bool(rows) and (is_more or paging.backwards)
    precedes = bool(rows) and (is_more if paging.backwards else paging.after is not None)
    return Page(
        rows,
        next_after=ends[-1] if follows else None,
        prev_before=ends[0] if precedes else None,
    )
