"""Revisions of what is kept: by which number they are named, and how two are compared."""

from __future__ import annotations

from typing import Annotated

import fastapi
from fastapi import Path, Request
from pydantic import WithJsonSchema

from .problems import NOT_FOUND, refuse
from .query import BadParameterError, Query, a_count

LARGEST_REVISION = 999_999_999
"""Largest number of a revision, which every database holds."""

_NUMBER = WithJsonSchema({"type": "integer", "minimum": 1, "maximum": LARGEST_REVISION})
_read = a_count(1, LARGEST_REVISION)

RevisionNumber = Annotated[str, _NUMBER, Path(description="Number of the revision.", examples=[1])]
Since = Annotated[
    str | None,
    _NUMBER,
    fastapi.Query(description="The earlier revision; the one before if not given."),
]


def number_of(text: str) -> int:
    """
    Give the number of a revision, as an address names it.

    Raises
    ------
    RefusalError
        404 where it is none.
    """
    try:
        return _read(text)
    except BadParameterError:
        raise refuse(NOT_FOUND, "A revision is named by a number from 1.") from None


def compared(request: Request, revision: str) -> tuple[int, int | None]:
    """
    Give the numbers of a revision and of the earlier one that it is to be compared with.

    Raises
    ------
    RefusalError
        400 where the query has a fault, 404 where the address names no revision.
    """
    query = Query(request.query_params, ("since",))
    earlier = query.read("since", _read)
    query.done()
    return number_of(revision), earlier
