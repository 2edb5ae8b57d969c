"""Pages of lists as JSON, NDJSON or CSV, whichever the caller asks for by 'Accept'."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

from fastapi import Response
from starlette.datastructures import Headers
from starlette.requests import Request

from .body import CSV, JSON, NDJSON
from .paging import Page, link_header, links
from .problems import NOT_ACCEPTABLE, refuse

_KINDS = (JSON, NDJSON, CSV)
_LEAST_WEIGHT = 0.0


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


def wanted_kind(headers: Headers) -> str:
    """
    Give the form that a caller likes best (RFC 9110, section 12.5.1); JSON where none is named.

    Raises
    ------
    RefusalError
        406 where none of them would do.
    """
    given = ", ".join(headers.getlist("accept")).strip()
    if not given:
        return JSON
    weights = {kind: _weight_of(kind, given) for kind in _KINDS}
    best = max(_KINDS, key=lambda kind: weights[kind])
    if weights[best] <= _LEAST_WEIGHT:
        raise refuse(NOT_ACCEPTABLE, f"None of {', '.join(_KINDS)} is accepted.")
    return best


def _weight_of(kind: str, accepted: str) -> float:
    """Give the weight of the most specific range that a media type lies in."""
    ranges = {f"{kind.partition('/')[0]}/*": 1, "*/*": 0, kind: 2}
    found = (-1, _LEAST_WEIGHT)
    for entry in accepted.split(","):
        name, *parameters = (part.strip().lower() for part in entry.split(";"))
        weight = next((_weight(p[2:]) for p in parameters if p.startswith("q=")), 1.0)
        if name in ranges and ranges[name] > found[0]:
            found = (ranges[name], weight)
    return found[1]


def _weight(text: str) -> float:
    try:
        return min(1.0, max(_LEAST_WEIGHT, float(text)))
    except ValueError:
        return _LEAST_WEIGHT


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
    kind = wanted_kind(request.headers)
    around = links(request.url, page)
    if kind == NDJSON:
        content = "".join(f"{_dumped(entry)}\n" for entry in entries)
    elif kind == CSV:
        content = _table(entries, columns)
    else:
        content = _dumped({name: list(entries), **around.model_dump()})
    headers = link_header(around) | {"Vary": "Accept"}
    return Response(content, headers=headers, media_type=kind)
