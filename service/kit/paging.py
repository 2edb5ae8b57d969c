"""
Long lists in pages: keyset order, opaque cursors, links to the next and the previous page.

A page goes on from the last entry that the reader has seen, so entries that come or go between
two pages neither repeat nor hide others.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import parse_qsl, urlencode
from uuid import UUID

import fastapi
from pydantic import BaseModel, Field, WithJsonSchema
from starlette.datastructures import URL

from .fields import is_control
from .instants import instant, written
from .query import BadParameterError, Query, a_count

DEFAULT_LIMIT, LARGEST_LIMIT = 100, 1000
"""Entries of a page where nothing is asked for, and the most that can be asked for."""

_LONGEST_CURSOR = 2000
_AGAIN = "Take the address from 'next' or 'prev' of a page as it stands, or begin without a cursor."

PARAMETERS = ("limit", "cursor")

Limit = Annotated[
    str | None,
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": LARGEST_LIMIT}),
    fastapi.Query(description=f"Most entries of the page; {DEFAULT_LIMIT} if not given."),
]
Cursor = Annotated[
    str | None,
    fastapi.Query(
        description="Where to go on, from 'next' or 'prev' of another page with the same filters."
    ),
]
"""As routes declare them; :func:`paging` reads them, so that all faults come at once."""

Key = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Paging:
    """Which page is asked for: how long, and from where in which direction."""

    limit: int = DEFAULT_LIMIT
    after: Key | None = None
    backwards: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """Entries in order, and the keys from which the neighbouring pages go on."""

    entries: Sequence[Any]
    next_after: Key | None
    prev_before: Key | None


class Links(BaseModel):
    """The neighbouring pages; the header 'Link' (RFC 8288) says the same."""

    next: str | None = Field(
        default=None,
        description="Address of the next page; null on the last.",
        examples=["/v1/sites?cursor=eyJrIjpbInRpbi1zaGVkIl19"],
    )
    prev: str | None = Field(
        default=None,
        description="Address of the page before; null on the first.",
        examples=["/v1/sites?cursor=eyJrIjpbInRpbi1zaGVkIl0sImIiOnRydWV9"],
    )


def _write_part(part: object) -> object:
    if isinstance(part, datetime):
        return written(part)
    return part if isinstance(part, int) else str(part)


def cursor_of(key: Key, *, backwards: bool = False) -> str:
    """Write the key of an entry as an opaque cursor."""
    text = json.dumps({"k": [_write_part(p) for p in key], "b": backwards}, separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _read_part(part: object, kind: type) -> object:
    if kind is int and type(part) is int and abs(part) < 2**53:
        return part
    if kind is not int and isinstance(part, str) and not any(map(is_control, part)):
        part.encode()  # half a surrogate pair is no text
        if kind is datetime:
            return instant(part)
        return UUID(part) if kind is UUID else part
    raise ValueError(kind)


def _text_of(cursor: str) -> bytes:
    if len(cursor) > _LONGEST_CURSOR:
        raise ValueError(cursor)
    return base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)


def _key(text: str, kinds: Sequence[type]) -> tuple[Key, bool]:
    """Read a cursor; whatever is not one of ours is refused, never guessed at."""
    try:
        read = json.loads(_text_of(text))
        key = tuple(_read_part(p, k) for p, k in zip(read["k"], kinds, strict=True))
        return key, read["b"] is True
    except (ValueError, TypeError, KeyError, RecursionError):
        raise BadParameterError("it is not a cursor of this list.", _AGAIN) from None


def paging(query: Query, kinds: Sequence[type]) -> Paging:
    """Read which page is asked for; the key of an entry has parts of these kinds."""
    limit = query.read("limit", a_count(1, LARGEST_LIMIT)) or DEFAULT_LIMIT
    at = query.read("cursor", lambda text: _key(text, kinds))
    return Paging(limit) if at is None else Paging(limit, *at)


def links(url: URL, page: Page) -> Links:
    """Give the addresses of the neighbouring pages, which keep the filters of this one."""
    kept = [(name, value) for name, value in parse_qsl(url.query) if name != "cursor"]

    def address(key: Key | None, *, backwards: bool) -> str | None:
        if key is None:
            return None
        return f"{url.path}?{urlencode([*kept, ('cursor', cursor_of(key, backwards=backwards))])}"

    return Links(
        next=address(page.next_after, backwards=False),
        prev=address(page.prev_before, backwards=True),
    )


def link_header(found: Links) -> dict[str, str]:
    """Give the header 'Link' for the neighbouring pages."""
    told = {"next": found.next, "prev": found.prev}
    lines = [f'<{address}>; rel="{rel}"' for rel, address in told.items() if address]
    return {"Link": ", ".join(lines)} if lines else {}
