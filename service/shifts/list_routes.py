# ruff: noqa: ARG001 - parameters declared for the contract are read strictly as a whole
"""Lists across the balances of a site, and the laboratory's question."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

import fastapi
from fastapi import APIRouter, Depends, Request, Response
from pydantic import WithJsonSchema

from reconcile.balance import Knowledge
from service.kit.body import Sent, lines_bytes
from service.kit.contract import problem_responses
from service.kit.listing import list_contents, list_response
from service.kit.paging import PARAMETERS, Cursor, Limit, Page, Paging, paging
from service.kit.problems import (
    BODY_TOO_LARGE,
    INTERNAL,
    INVALID_PARAMETER,
    INVALID_REQUEST,
    MALFORMED,
    NOT_ACCEPTABLE,
    NOT_FOUND,
    STORE_UNAVAILABLE,
    UNSUPPORTED_MEDIA_TYPE,
)
from service.kit.query import Query, a_name, a_time, a_word
from service.readings.routes import Source, batch_body
from service.sites.routes import SiteKey
from service.store import Store
from service.store.calls import in_thread, store_of

from . import disagreements, service
from .repository import STANDINGS, Filters
from .routes import list_responses
from .schemas import BalanceList, DisagreementList, ReconciledList

router = APIRouter(prefix="/v1/sites/{site}", tags=["shifts"])

_TIME = WithJsonSchema({"type": "string", "format": "date-time"})
_NAME = WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 80})
_KNOWN = tuple(word.value for word in Knowledge)

Since = Annotated[
    str | None, _TIME, fastapi.Query(alias="from", description="Only shifts that end later.")
]
Until = Annotated[
    str | None, _TIME, fastapi.Query(alias="to", description="Only shifts that start earlier.")
]
OfFlowsheet = Annotated[
    str | None, _NAME, fastapi.Query(alias="flowsheet", description="Only of this flowsheet.")
]
OfStanding = Annotated[
    str | None,
    WithJsonSchema({"type": "string", "enum": list(STANDINGS)}),
    fastapi.Query(alias="standing", description="Only those that stand so."),
]
_FILTERS = ("from", "to", "flowsheet", "standing")


def _filters(query: Query, **others: Any) -> Filters:  # noqa: ANN401
    return Filters(
        since=query.read("from", a_time),
        until=query.read("to", a_time),
        flowsheet=query.read("flowsheet", a_name),
        standing=query.read("standing", a_word(*STANDINGS)),
        **others,
    )


Entries = list[dict[str, Any]]


async def _page(
    request: Request,
    listed: Callable[[Store, str, Filters, Paging], tuple[Entries, Page]],
    site: str,
    filters: Filters,
    query: Query,
    keys: list[type],
) -> tuple[Entries, Page]:
    """Give the page that is asked for, once nothing in the query is left unread."""
    wanted = paging(query, keys)
    query.done()
    return await in_thread(request, listed, store_of(request), site, filters, wanted)


@router.get(
    "/balances",
    operation_id="list_balances",
    summary="List the balances of shifts",
    response_class=Response,
    responses=list_responses(BalanceList, "A page of balances.", service.BALANCE_COLUMNS),
)
async def list_balances(
    request: Request,
    site: SiteKey,
    since: Since = None,
    until: Until = None,
    flowsheet: OfFlowsheet = None,
    standing: OfStanding = None,
    stale: Annotated[
        str | None,
        WithJsonSchema({"type": "string", "enum": ["true", "false"]}),
        fastapi.Query(description="Only those that wait for a calculation, or that do not."),
    ] = None,
    limit: Limit = None,
    cursor: Cursor = None,
) -> Response:
    """Give how each balance stands and what it says of itself, in the order of the shifts."""
    query = Query(request.query_params, (*_FILTERS, "stale", *PARAMETERS))
    word = query.read("stale", a_word("true", "false"))
    filters = _filters(query, stale=None if word is None else word == "true")
    found, page = await _page(request, service.balances, site, filters, query, [datetime, UUID])
    return list_response(request, "balances", found, page, service.BALANCE_COLUMNS)


@router.get(
    "/reconciled-readings",
    operation_id="list_reconciled_readings",
    summary="List readings as they came out of the balances",
    response_class=Response,
    responses=list_responses(ReconciledList, "A page of readings.", service.READING_COLUMNS),
)
async def list_reconciled_readings(
    request: Request,
    site: SiteKey,
    since: Since = None,
    until: Until = None,
    flowsheet: OfFlowsheet = None,
    standing: OfStanding = None,
    stream: Annotated[
        str | None, _NAME, fastapi.Query(description="Only of this stream or stock.")
    ] = None,
    knowledge: Annotated[
        str | None,
        WithJsonSchema({"type": "string", "enum": list(_KNOWN)}),
        fastapi.Query(alias="class", description="Only of this class."),
    ] = None,
    limit: Limit = None,
    cursor: Cursor = None,
) -> Response:
    """Give what was read, what came out and by how much they differ, shift by shift."""
    query = Query(request.query_params, (*_FILTERS, "stream", "class", *PARAMETERS))
    filters = _filters(
        query, stream=query.read("stream", a_name), knowledge=query.read("class", a_word(*_KNOWN))
    )
    keys = [datetime, UUID, int]
    found, page = await _page(request, service.reconciled, site, filters, query, keys)
    return list_response(request, "readings", found, page, service.READING_COLUMNS)


@router.post(
    "/disagreements",
    operation_id="find_disagreements",
    summary="Say which results of a batch disagree with the balances",
    response_class=Response,
    responses={
        200: {
            "model": DisagreementList,
            "description": "The lines of the batch, in order.",
            "content": list_contents(disagreements.COLUMNS),
        },
        **problem_responses(
            *(MALFORMED, INVALID_PARAMETER, NOT_FOUND, NOT_ACCEPTABLE, BODY_TOO_LARGE),
            *(UNSUPPORTED_MEDIA_TYPE, INVALID_REQUEST, INTERNAL, STORE_UNAVAILABLE),
        ),
    },
    openapi_extra=batch_body(),
)
async def find_disagreements(
    request: Request,
    site: SiteKey,
    batch: Annotated[Sent, Depends(lines_bytes)],
    source: Source = None,
) -> Response:
    """
    Take a batch as it was posted, and say of each result whether it agrees with its balance.

    By how much it is off, how sure that is, and in which order to assay again. Nothing is stored.
    """
    query = Query(request.query_params, ("source",))
    stands_in = query.read("source", a_name)
    query.done()
    found = await in_thread(
        request,
        disagreements.of_batch,
        store_of(request),
        site,
        batch,
        stands_in,
        request.app.state.settings,
    )
    page = Page(found, None, None)
    return list_response(request, "results", found, page, disagreements.COLUMNS)
