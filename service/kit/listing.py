"""Pages of lists as JSON, NDJSON or CSV, whichever the caller asks for by 'Accept'."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

from fastapi import Response
from starlette.requests import Request

from .accept import wanted_kind
from .media import CSV, JSON, NDJSON
from .paging import Page, link_header, links

_KINDS = (JSON, NDJSON, CSV)


def list_contents(columns: Sequence[str]) -> dict[str, Any]:
    """Give the further forms of a list for the contract, beside that of JSON."""
    return {
        NDJSON: {
            "schema": {
                "type": "string",
                "description": "One entry a line; the header 'Link' leads to the other pages.",
            }
        },
        CSV: {
            "schema": {
                "type": "string",
                "description": f"A table (RFC 4180) with the columns {', '.join(columns)}; the "
                "header 'Link' leads to the other pages.",
            }
        },
    }


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else str(value)


def _table(entries: Sequence[dict[str, Any]], columns: Sequence[str]) -> str:
    written = io.StringIO()
    writer = csv.writer(written)
    writer.writerow(columns)
    writer.writerows([_text(entry.get(name)) for name in columns] for entry in entries)
    return written.getvalue()


def _dumped(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def list_response(
    request: Request,
    name: str,
    entries: Sequence[dict[str, Any]],
    page: Page,
    columns: Sequence[str],
) -> Response:
    """
    Give a page of a list in the form asked for, with links to its neighbours.

    Parameters
    ----------
    request
        what asked for it.
    name
        how the entries are called in JSON.
    entries
        the entries, as JSON tells them.
    page
        where they stand in the list.
    columns
        the members that a table has; lists and objects stand in it as JSON.

    Raises
    ------
    RefusalError
        406 where the caller takes none of the three forms.
    """
    kind = wanted_kind(request.headers, _KINDS)
    around = links(request.url, page)
    if kind == NDJSON:
        content = "".join(f"{_dumped(entry)}\n" for entry in entries)
    elif kind == CSV:
        content = _table(entries, columns)
    else:
        content = _dumped({name: list(entries), **around.model_dump()})
    headers = link_header(around) | {"Vary": "Accept"}
    return Response(content, headers=headers, media_type=kind)
