# ruff: noqa: ARG001 - parameters declared for the contract are read strictly as a whole
"""Balances of shifts: the resource /v1/sites/{site}/shifts, decisions and the trail."""

from __future__ import annotations

import asyncio
import re
from typing import Annotated, Any

import fastapi
from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import WithJsonSchema

from service.kit.body import json_bytes
from service.kit.caller import caller_of
from service.kit.conditional import (
    IfMatch,
    IfNoneMatch,
    conditional_response,
    precondition,
)
from service.kit.contract import other_contents, problem_responses, request_body
from service.kit.idempotency import Answer, IdempotencyKey, attempt_of
from service.kit.identifiers import KEY_SCHEMA
from service.kit.listing import list_contents, list_response
from service.kit.paging import PARAMETERS, Cursor, Limit, paging
from service.kit.problems import (
    ALREADY_SIGNED,
    BODY_TOO_LARGE,
    BUSY,
    CALCULATION_LOST,
    CHANGED_MEANWHILE,
    CONTRADICTORY,
    INTERNAL,
    INVALID_PARAMETER,
    INVALID_REQUEST,
    KEY_IN_USE,
    KEY_REUSED,
    MALFORMED,
    NOT_ACCEPTABLE,
    NOT_CONVERGED,
    NOT_FOUND,
    NOT_NEWEST_VERSION,
    NOT_SIGNED,
    OVER_BUDGET,
    PRECONDITION_REQUIRED,
    STALE_REVISION,
    STORE_UNAVAILABLE,
    UNSUPPORTED_MEDIA_TYPE,
)
from service.kit.query import Query
from service.kit.revisions import RevisionNumber, Since, compared, number_of
from service.readings.routes import ReadingId
from service.report.forms import WORDS
from service.sites.routes import NOT_MODIFIED, READ_PROBLEMS, SiteKey
from service.store.calls import in_thread, store_of
from service.store.columns import json_text

from . import decisions, runner, service
from .place import Place, place_of
from .report import told_response
from .schemas import (
    DecisionObject,
    Difference,
    RevisionList,
    ShiftBalance,
    SigningObject,
    TrailEntry,
    TrailList,
    UnlockingObject,
)
from .schemas_examples import DIGEST

router = APIRouter(prefix="/v1/sites/{site}", tags=["shifts"])

_BALANCE = "/shifts/{day}/{shift}/balances/{flowsheet}"
_ASYNC = re.compile(r"(^|[,;\s])respond-async($|[,;\s])", re.IGNORECASE)

Day = Annotated[
    str,
    WithJsonSchema({"type": "string", "format": "date"}),
    Path(description="The production day.", examples=["2026-03-01"]),
]
ShiftName = Annotated[
    str, WithJsonSchema(KEY_SCHEMA), Path(description="The shift.", examples=["night"])
]
FlowsheetKey = Annotated[
    str, WithJsonSchema(KEY_SCHEMA), Path(description="The flowsheet.", examples=["main"])
]
Prefer = Annotated[
    str | None,
    fastapi.Header(
        description="'respond-async' (RFC 7240) to be told 202 and the address at once, and fetch "
        "the balance when it is there."
    ),
]


def _place(site: SiteKey, day: Day, shift: ShiftName, flowsheet: FlowsheetKey) -> Place:
    return place_of(site, flowsheet, day, shift)


ThePlace = Annotated[Place, Depends(_place)]


def list_responses(
    model: type[Any], what: str, columns: tuple[str, ...]
) -> dict[int | str, dict[str, Any]]:
    """Give the responses of a list that comes in three forms."""
    return {
        200: {"model": model, "description": what, "content": list_contents(columns)},
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE),
    }


_SIGN_PROBLEMS = (
    *(MALFORMED, INVALID_PARAMETER, NOT_FOUND, KEY_IN_USE, BODY_TOO_LARGE),
    *(UNSUPPORTED_MEDIA_TYPE, INVALID_REQUEST, KEY_REUSED, INTERNAL, STORE_UNAVAILABLE),
)
_CONDITIONAL = (CHANGED_MEANWHILE, PRECONDITION_REQUIRED)


_OF_REPORTS = (CALCULATION_LOST, OVER_BUDGET, BUSY)


# --- balances and their revisions ---------------------------------------------------------------


@router.get(
    _BALANCE,
    operation_id="get_shift_balance",
    summary="Read the balance of a shift",
    response_class=Response,
    responses={
        200: {
            "model": ShiftBalance,
            "description": "The balance, or a report of it in the form that 'Accept' names.",
            "content": other_contents(WORDS),
        },
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE, *_OF_REPORTS),
    },
)
async def get_shift_balance(
    request: Request, place: ThePlace, if_none_match: IfNoneMatch = None
) -> Response:
    """
    Give the revision that counts: the signed one, else the newest.

    New readings are calculated by themselves after a while; 'stale' says that some are not in it
    yet. A POST to the same address has it calculated now.
    """
    Query(request.query_params, ()).done()
    told, etag = await in_thread(request, service.balance, store_of(request), place)
    return await told_response(request, told, etag)


@router.post(
    _BALANCE,
    operation_id="calculate_shift_balance",
    summary="Bring the balance of a shift up to what was read",
    response_class=Response,
    responses={
        200: {"model": ShiftBalance, "description": "The balance, with every reading in it."},
        202: {
            "description": "It is being calculated; 'Location' tells where it will be.",
            "headers": {"Location": {"schema": {"type": "string"}}},
        },
        **problem_responses(
            *READ_PROBLEMS,
            *(INVALID_REQUEST, CONTRADICTORY, NOT_CONVERGED, CALCULATION_LOST, OVER_BUDGET, BUSY),
        ),
    },
)
async def calculate_shift_balance(
    request: Request, place: ThePlace, prefer: Prefer = None
) -> Response:
    """
    Have the balance calculated where something came that it does not hold, and give it.

    Sent again it changes nothing: a revision is made only of what is new. Where a revision is
    signed, what is new makes a proposed revision, and the signed one goes on to count. What takes
    long is answered with 202 and an address.
    """
    Query(request.query_params, ()).done()
    calculating = asyncio.create_task(runner.brought_up(request.app, place))
    within = 0.0 if _ASYNC.search(prefer or "") else request.app.state.settings.answer_within_s
    done, _ = await asyncio.wait({calculating}, timeout=within)
    if not done:
        runner.let_finish(request.app, calculating)
        return Response(status_code=202, headers={"Location": place.address, "Retry-After": "1"})
    await calculating
    await in_thread(request, service.refuse_unbalanced, store_of(request), place)
    told, etag = await in_thread(request, service.balance, store_of(request), place)
    return Response(json_text(told), headers={"ETag": etag}, media_type="application/json")


@router.get(
    f"{_BALANCE}/revisions",
    operation_id="list_balance_revisions",
    summary="List the revisions of a balance",
    response_class=Response,
    responses=list_responses(RevisionList, "A page of revisions.", service.REVISION_COLUMNS),
)
async def list_balance_revisions(
    request: Request, place: ThePlace, limit: Limit = None, cursor: Cursor = None
) -> Response:
    """Give the revisions in the order of their numbers, page by page."""
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [int])
    query.done()
    found, page = await in_thread(request, service.revisions, store_of(request), place, wanted)
    return list_response(request, "revisions", found, page, service.REVISION_COLUMNS)


@router.get(
    f"{_BALANCE}/revisions/{{revision}}",
    operation_id="get_balance_revision",
    summary="Read a revision of a balance",
    response_class=Response,
    responses={
        200: {
            "model": ShiftBalance,
            "description": "The revision, or a report of it in the form that 'Accept' names.",
            "content": other_contents(WORDS),
        },
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE, *_OF_REPORTS),
    },
)
async def get_balance_revision(
    request: Request,
    place: ThePlace,
    revision: RevisionNumber,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Give a revision as it was made; only how it stands may change."""
    Query(request.query_params, ()).done()
    number = number_of(revision)
    told, etag = await in_thread(request, service.balance, store_of(request), place, number)
    return await told_response(request, told, etag)


@router.get(
    f"{_BALANCE}/revisions/{{revision}}/record",
    operation_id="get_balance_record",
    summary="Read the record of a revision, byte by byte",
    response_class=Response,
    responses={
        200: {
            "description": "The record in canonical form (RFC 8785): what went in, what came out, "
            "and by what it was calculated. Its SHA-256 is the digest that was signed.",
            "content": {"application/json": {"schema": {"type": "object"}}},
        },
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS),
    },
)
async def get_balance_record(
    request: Request,
    place: ThePlace,
    revision: RevisionNumber,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Give the bytes whose SHA-256 is the digest of the revision; they never change."""
    Query(request.query_params, ()).done()
    number = number_of(revision)
    text, digest = await in_thread(request, service.record, store_of(request), place, number)
    return conditional_response(request.headers, f'"{digest}"', text)


@router.get(
    f"{_BALANCE}/revisions/{{revision}}/changes",
    operation_id="compare_balance_revisions",
    summary="Tell what a revision has otherwise than an earlier one",
    response_class=Response,
    responses={
        200: {"model": Difference, "description": "The difference, in words and numbers."},
        **problem_responses(*READ_PROBLEMS),
    },
)
async def compare_balance_revisions(
    request: Request,
    place: ThePlace,
    revision: RevisionNumber,
    since: Since = None,
) -> Response:
    """Give the readings, versions and figures that are not alike."""
    found = await in_thread(
        request, service.changes, store_of(request), place, *compared(request, revision)
    )
    return Response(json_text(found), media_type="application/json")


# --- what needs a person ------------------------------------------------------------------------


def _entered(answer: Answer) -> Response:
    return Response(
        answer.body,
        status_code=answer.status,
        headers=answer.headers,
        media_type="application/json",
    )


_ENTERED: dict[int | str, dict[str, Any]] = {
    201: {"model": TrailEntry, "description": "The entry in the trail."}
}
_PERSON = {"person": "A. Metallurgist"}


@router.post(
    f"{_BALANCE}/signatures",
    operation_id="sign_balance",
    summary="Sign the newest revision of a balance",
    response_class=Response,
    responses={
        **_ENTERED,
        **problem_responses(*_SIGN_PROBLEMS, *_CONDITIONAL, STALE_REVISION, ALREADY_SIGNED),
    },
    openapi_extra=request_body(
        SigningObject,
        {
            "revision": 1,
            "digest": DIGEST,
            **_PERSON,
            "meaning": "approved for the monthly balance",
            "reason": "all assays final, no suspect left",
        },
    ),
)
async def sign_balance(
    request: Request,
    place: ThePlace,
    body: Annotated[bytes, Depends(json_bytes)],
    if_match: IfMatch = None,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """
    Put a person's name under the newest revision, by its digest ('If-Match' with the ETag read).

    What is signed never changes. What comes later makes a proposed revision; to sign that one, the
    balance has to be unlocked first.
    """
    return await _decided(request, decisions.sign, place, body)


@router.post(
    f"{_BALANCE}/unlockings",
    operation_id="unlock_balance",
    summary="Unlock a signed balance",
    response_class=Response,
    responses={
        **_ENTERED,
        **problem_responses(*_SIGN_PROBLEMS, *_CONDITIONAL, NOT_SIGNED),
    },
    openapi_extra=request_body(
        UnlockingObject, {"revision": 1, **_PERSON, "reason": "umpire assay came in"}
    ),
)
async def unlock_balance(
    request: Request,
    place: ThePlace,
    body: Annotated[bytes, Depends(json_bytes)],
    if_match: IfMatch = None,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Let the newest revision count again ('If-Match'); the signature stays in the trail."""
    return await _decided(request, decisions.unlock, place, body)


async def _decided(request: Request, act: Any, place: Place, body: bytes) -> Response:  # noqa: ANN401
    Query(request.query_params, ()).done()
    expected, attempt = precondition(request.headers), attempt_of(request, body)
    caller, settings = caller_of(request), request.app.state.settings
    return _entered(
        await in_thread(
            request, act, store_of(request), place, expected, attempt, body, caller, settings
        )
    )


@router.post(
    "/readings/{reading}/decisions",
    operation_id="decide_on_reading",
    summary="Leave a reading out, use it, override it, or undo that",
    response_class=Response,
    responses={**_ENTERED, **problem_responses(*_SIGN_PROBLEMS, NOT_NEWEST_VERSION)},
    openapi_extra=request_body(
        DecisionObject,
        {"decision": "leave out", "version": 1, **_PERSON, "reason": "sample bag found open"},
    ),
)
async def decide_on_reading(
    request: Request,
    site: SiteKey,
    reading: ReadingId,
    body: Annotated[bytes, Depends(json_bytes)],
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """
    Take a person's decision about one version of a reading, with a reason.

    Nothing is erased, and every balance that the reading bears on is calculated anew. A decision
    holds for that version alone: a correction by the source counts again.
    """
    Query(request.query_params, ()).done()
    attempt, caller = attempt_of(request, body), caller_of(request)
    settings = request.app.state.settings
    return _entered(
        await in_thread(
            request,
            decisions.decide,
            store_of(request),
            site,
            reading,
            attempt,
            body,
            caller,
            settings,
        )
    )


@router.get(
    "/trail",
    operation_id="list_trail",
    summary="List what persons decided and signed",
    response_class=Response,
    responses=list_responses(TrailList, "A page of the trail.", service.TRAIL_COLUMNS),
)
async def list_trail(
    request: Request, site: SiteKey, limit: Limit = None, cursor: Cursor = None
) -> Response:
    """
    Give the trail in the order of its entries, page by page.

    No entry can be changed or taken out: the database refuses it, and each entry holds the digest
    of the one before.
    """
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [int])
    query.done()
    found, page = await in_thread(request, service.trail_of, store_of(request), site, wanted)
    return list_response(request, "entries", found, page, service.TRAIL_COLUMNS)
