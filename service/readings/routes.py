# ruff: noqa: ARG001 - parameters declared for the contract are read strictly as a whole
"""The resource /v1/sites/{site}/readings."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, get_args
from uuid import UUID

import fastapi
from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import WithJsonSchema

from service.kit.body import Sent, lines_bytes
from service.kit.contract import problem_responses, request_body
from service.kit.idempotency import IdempotencyKey, attempt_of
from service.kit.listing import list_contents, list_response
from service.kit.media import CSV, NDJSON
from service.kit.paging import PARAMETERS, Cursor, Limit, paging
from service.kit.problems import (
    BODY_TOO_LARGE,
    INTERNAL,
    INVALID_PARAMETER,
    INVALID_REQUEST,
    KEY_IN_USE,
    KEY_REUSED,
    MALFORMED,
    NOT_ACCEPTABLE,
    NOT_FOUND,
    STORE_UNAVAILABLE,
    UNSUPPORTED_MEDIA_TYPE,
)
from service.kit.query import Query, a_name, a_time, a_word
from service.sites.routes import READ_PROBLEMS, SiteKey
from service.store.calls import in_thread, store_of
from service.store.columns import json_text

from . import service
from .formats import COLUMNS
from .repository import Filters
from .schemas import (
    EXAMPLE,
    LINE_EXAMPLE,
    Batch,
    BatchReply,
    ParkedList,
    ReadingHistory,
    ReadingList,
    Standing,
)

router = APIRouter(prefix="/v1/sites/{site}", tags=["readings"])

_TIME = WithJsonSchema({"type": "string", "format": "date-time"})
_NAME = WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 80})
_STANDINGS: tuple[str, ...] = get_args(Standing)

Source = Annotated[
    str | None,
    _NAME,
    fastapi.Query(description="The source of all lines that name none."),
]
ReadingId = Annotated[
    str,
    WithJsonSchema({"type": "string", "format": "uuid"}),
    Path(description="Id of the reading.", examples=["0195a4a0-1c00-7a00-8000-000000000001"]),
]


def _named(of: str) -> Any:  # noqa: ANN401 - a type form
    return Annotated[str | None, _NAME, fastapi.Query(description=f"Only those {of}.")]


def batch_body() -> dict[str, Any]:
    """Give the request body of a batch in its three forms."""
    body = request_body(Batch, EXAMPLE)
    line = json_text(LINE_EXAMPLE)
    columns = ",".join(name for name in COLUMNS if name in LINE_EXAMPLE)
    cells = ",".join(str(LINE_EXAMPLE[name]) for name in COLUMNS if name in LINE_EXAMPLE)
    body["requestBody"]["content"] |= {
        NDJSON: {
            "schema": {
                "type": "string",
                "description": "One object a line, each like an entry of 'readings' in JSON.",
            },
            "example": f"{line}\n",
        },
        CSV: {
            "schema": {
                "type": "string",
                "description": f"A table (RFC 4180) with any of the columns {', '.join(COLUMNS)}. "
                "An empty cell says nothing; 'null' as a value withdraws; '<0.05' and '>60' are "
                "limits; replicates are parted by spaces or semicolons.",
            },
            "example": f"{columns}\n{cells}\n",
        },
    }
    return body


@router.post(
    "/readings",
    operation_id="post_readings",
    summary="Post readings",
    response_class=Response,
    responses={
        200: {"model": BatchReply, "description": "What became of each line."},
        **problem_responses(
            MALFORMED,
            INVALID_PARAMETER,
            NOT_FOUND,
            KEY_IN_USE,
            BODY_TOO_LARGE,
            UNSUPPORTED_MEDIA_TYPE,
            INVALID_REQUEST,
            KEY_REUSED,
            INTERNAL,
            STORE_UNAVAILABLE,
        ),
    },
    openapi_extra=batch_body(),
)
async def post_readings(
    request: Request,
    site: SiteKey,
    batch: Annotated[Sent, Depends(lines_bytes)],
    source: Source = None,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """
    Take readings in any order, late, partial, repeated or corrected.

    Every line has its own outcome, and one that is rejected costs no other. A reading is known by
    source, tag or sample point and analyte, sample and time: sent again it changes nothing, with
    or without an Idempotency-Key. Of its versions the highest counts, whatever the order in which
    they came; all are kept. Where no line at all could be stored the answer is 422.
    """
    query = Query(request.query_params, ("source",))
    stands_in = query.read("source", a_name)
    query.done()
    attempt = attempt_of(request, batch.content)
    answer = await in_thread(
        request,
        service.post,
        store_of(request),
        site,
        attempt,
        batch,
        stands_in,
        request.app.state.settings,
    )
    return Response(
        answer.body,
        status_code=answer.status,
        headers=answer.headers,
        media_type="application/json",
    )


@router.get(
    "/readings",
    operation_id="list_readings",
    summary="List readings",
    response_class=Response,
    responses={
        200: {
            "model": ReadingList,
            "description": "A page of readings.",
            "content": list_contents(service.COLUMNS),
        },
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE),
    },
)
async def list_readings(
    request: Request,
    site: SiteKey,
    since: Annotated[str | None, _TIME, fastapi.Query(alias="from", description="From.")] = None,
    until: Annotated[
        str | None, _TIME, fastapi.Query(alias="to", description="Until, that time excluded.")
    ] = None,
    source: _named("of this source") = None,  # type: ignore[valid-type]
    tag: _named("of this tag") = None,  # type: ignore[valid-type]
    sample_point: _named("of this sample point") = None,  # type: ignore[valid-type]
    analyte: _named("of this analyte") = None,  # type: ignore[valid-type]
    stream: _named("of this stream, or stock, by the mapping") = None,  # type: ignore[valid-type]
    standing: Annotated[
        str | None,
        WithJsonSchema({"type": "string", "enum": list(_STANDINGS)}),
        fastapi.Query(description="Only those that stand so."),
    ] = None,
    limit: Limit = None,
    cursor: Cursor = None,
) -> Response:
    """Give readings with their newest versions in the order of their times, page by page."""
    names = ("source", "tag", "sample_point", "analyte", "stream")
    query = Query(request.query_params, ("from", "to", *names, "standing", *PARAMETERS))
    filters = Filters(
        since=query.read("from", a_time),
        until=query.read("to", a_time),
        standing=query.read("standing", a_word(*_STANDINGS)),
        **{name: query.read(name, a_name) for name in names},
    )
    wanted = paging(query, [datetime, UUID])
    query.done()
    found, page = await in_thread(request, service.listed, store_of(request), site, filters, wanted)
    return list_response(request, "readings", found, page, service.COLUMNS)


@router.get(
    "/readings/{reading}",
    operation_id="get_reading",
    summary="Read a reading with its history",
    response_class=Response,
    responses={
        200: {"model": ReadingHistory, "description": "The reading and all its versions."},
        **problem_responses(*READ_PROBLEMS),
    },
)
async def get_reading(request: Request, site: SiteKey, reading: ReadingId) -> Response:
    """Give a reading as it stands, and every version that ever came of it."""
    Query(request.query_params, ()).done()
    found = await in_thread(request, service.history, store_of(request), site, reading)
    return Response(json_text(found), media_type="application/json")


@router.get(
    "/parked-tags",
    operation_id="list_parked_tags",
    summary="List the tags that no mapping knows",
    response_class=Response,
    responses={
        200: {
            "model": ParkedList,
            "description": "A page of parked tags.",
            "content": list_contents(service.PARKED_COLUMNS),
        },
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE),
    },
)
async def list_parked_tags(
    request: Request, site: SiteKey, limit: Limit = None, cursor: Cursor = None
) -> Response:
    """
    Give the tags, and sample points with analytes, whose readings are parked.

    They are taken up by themselves as soon as a mapping that holds at their time knows them.
    """
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [str, str, str])
    query.done()
    found, page = await in_thread(request, service.parked, store_of(request), site, wanted)
    return list_response(request, "parked", found, page, service.PARKED_COLUMNS)
