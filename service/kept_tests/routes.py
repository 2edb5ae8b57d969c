# ruff: noqa: ARG001 - parameters declared for the contract are read strictly as a whole
"""Tests that are kept: the resource /v1/sites/{site}/tests."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any
from uuid import UUID

import fastapi
from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import WithJsonSchema

from service.kit.body import Sent, sent
from service.kit.calculations import Calculations
from service.kit.caller import caller_of
from service.kit.conditional import (
    IfMatch,
    IfNoneMatch,
    conditional_response,
    is_known,
    precondition,
)
from service.kit.contract import NEEDED, other_contents, problem_responses, request_body
from service.kit.idempotency import Answer, IdempotencyKey, attempt_of
from service.kit.listing import list_contents, list_response
from service.kit.media import CSV, JSON, XLSM, XLSX
from service.kit.paging import PARAMETERS, Cursor, Limit, paging
from service.kit.problems import (
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
    OVER_BUDGET,
    PRECONDITION_REQUIRED,
    STORE_UNAVAILABLE,
    UNREADABLE_SHEET,
    UNSUPPORTED_MEDIA_TYPE,
)
from service.kit.query import Query, a_name, a_text
from service.kit.revisions import RevisionNumber, Since, compared, number_of
from service.report.forms import WORDS
from service.shifts.report import told_response
from service.sites.routes import NOT_MODIFIED, READ_PROBLEMS, SiteKey
from service.store.calls import in_thread, store_of
from service.store.columns import json_text
from service.tests.schemas import MINIMAL_SHEET, TestSheet
from service.tests.spreadsheet.bodies import BODIES

from . import service
from .record import recorded
from .report import kept_test_report
from .schemas import (
    KeptTest,
    KeptTestDifference,
    KeptTestEntry,
    KeptTestList,
    KeptTestRevisions,
)
from .service import Came, Correction, Place

router = APIRouter(prefix="/v1/sites/{site}/tests", tags=["kept tests"])

_TEST = "/{test}"
_REVISION = f"{_TEST}/revisions/{{revision}}"
_LONGEST_REASON = 500
_ENDINGS = {JSON: "json", XLSX: "xlsx", XLSM: "xlsm", CSV: "csv"}

TestId = Annotated[
    str,
    WithJsonSchema({"type": "string", "format": "uuid"}),
    Path(description="Id of the test.", examples=["0195a4a0-1c00-7a00-8000-000000000007"]),
]
Person = Annotated[
    str | None,
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 80, NEEDED: True}),
    fastapi.Query(description="Who corrects it.", examples=["A. Metallurgist"]),
]
Reason = Annotated[
    str | None,
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": _LONGEST_REASON, NEEDED: True}),
    fastapi.Query(description="Why.", examples=["tare read from the wrong tray"]),
]

_KEEP_PROBLEMS = (
    *(MALFORMED, UNREADABLE_SHEET, INVALID_PARAMETER, NOT_FOUND, KEY_IN_USE, BODY_TOO_LARGE),
    *(UNSUPPORTED_MEDIA_TYPE, INVALID_REQUEST, KEY_REUSED, CONTRADICTORY, NOT_CONVERGED),
    *(INTERNAL, CALCULATION_LOST, OVER_BUDGET, BUSY, STORE_UNAVAILABLE),
)
_ENTRY = {"model": KeptTestEntry, "description": "Where the test is, and how it came out."}


def _place(site: SiteKey, test: TestId) -> Place:
    return Place(site, test)


ThePlace = Annotated[Place, Depends(_place)]


def _bodies() -> dict[str, Any]:
    told = request_body(TestSheet, MINIMAL_SHEET)
    told["requestBody"]["content"] |= {kind: body.contract for kind, body in BODIES.items()}
    return told


async def _came(request: Request, body: Sent) -> Came:
    """Reconcile a sheet where calculations run."""
    calculations: Calculations = request.app.state.calculations
    record = await calculations.run(partial(recorded, kind=body.kind), body.content)
    return Came(body.content, body.kind, record)


def _answered(answer: Answer) -> Response:
    return Response(answer.body, status_code=answer.status, headers=answer.headers, media_type=JSON)


# --- writing -------------------------------------------------------------------------------------


@router.post(
    "",
    operation_id="keep_test",
    summary="Reconcile a test and keep it",
    response_class=Response,
    responses={201: _ENTRY, **problem_responses(*_KEEP_PROBLEMS)},
    openapi_extra=_bodies(),
)
async def keep_test(
    request: Request, site: SiteKey, idempotency_key: IdempotencyKey = None
) -> Response:
    """
    Take a test sheet in any of its forms, reconcile it, and keep both: the sheet byte by byte.

    A sheet with faults, or without a balance, is refused as by /v1/tests, and nothing is kept.
    """
    Query(request.query_params, ()).done()
    body = await sent(request, (JSON, *BODIES))
    attempt, settings = attempt_of(request, body.content), request.app.state.settings
    store = store_of(request)
    await in_thread(request, service.check_site, store, site)
    came = await _came(request, body)
    return _answered(await in_thread(request, service.keep, store, site, attempt, came, settings))


@router.post(
    f"{_TEST}/revisions",
    operation_id="correct_test",
    summary="Correct a test by a new sheet",
    response_class=Response,
    responses={
        200: {"model": KeptTestEntry, "description": "The sheet leads to what is kept already."},
        201: _ENTRY,
        **problem_responses(*_KEEP_PROBLEMS, CHANGED_MEANWHILE, PRECONDITION_REQUIRED),
    },
    openapi_extra=_bodies(),
)
async def correct_test(
    request: Request,
    place: ThePlace,
    person: Person = None,
    reason: Reason = None,
    if_match: IfMatch = None,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """
    Take the whole sheet as corrected ('If-Match' with the ETag of the test), and why.

    It becomes the newest revision; those before stay as they are. Person and reason stand in the
    trail of the site. To have a test calculated by another build, send its sheet again.
    """
    query = Query(request.query_params, ("person", "reason"))
    who = query.needed("person", a_name, "A. Metallurgist")
    why = query.needed("reason", a_text(_LONGEST_REASON), "tare read from the wrong tray")
    query.done()
    expected = precondition(request.headers)
    body = await sent(request, (JSON, *BODIES))
    attempt, settings = attempt_of(request, body.content), request.app.state.settings
    store = store_of(request)
    if attempt.key is None:
        # With a key the answer may be known, and then the test is no longer as it was.
        await in_thread(request, service.check_expected, store, place, expected)
    came = await _came(request, body)
    correction = Correction(who, why, caller_of(request), expected)
    return _answered(
        await in_thread(request, service.correct, store, place, attempt, came, correction, settings)
    )


# --- reading -------------------------------------------------------------------------------------

_READ: dict[int | str, dict[str, Any]] = {
    200: {
        "model": KeptTest,
        "description": "The test, or a report of it in the form that 'Accept' names.",
        "content": other_contents(WORDS),
    },
    **NOT_MODIFIED,
    **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE, CALCULATION_LOST, OVER_BUDGET, BUSY),
}
_SHEET: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The sheet as it came, byte by byte.",
        "content": {
            JSON: {"schema": {"type": "object"}},
            **{kind: body.contract for kind, body in BODIES.items()},
        },
    },
    **NOT_MODIFIED,
    **problem_responses(*READ_PROBLEMS),
}


@router.get(
    "",
    operation_id="list_tests",
    summary="List the tests of a site",
    response_class=Response,
    responses={
        200: {
            "model": KeptTestList,
            "description": "A page of tests.",
            "content": list_contents(service.TEST_COLUMNS),
        },
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE),
    },
)
async def list_tests(
    request: Request, site: SiteKey, limit: Limit = None, cursor: Cursor = None
) -> Response:
    """Give each test by its newest revision, in the order in which they were first kept."""
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [UUID])
    query.done()
    found, page = await in_thread(request, service.listed, store_of(request), site, wanted)
    return list_response(request, "tests", found, page, service.TEST_COLUMNS)


@router.get(
    _TEST,
    operation_id="get_test",
    summary="Read a test",
    response_class=Response,
    responses=_READ,
)
async def get_test(
    request: Request, place: ThePlace, if_none_match: IfNoneMatch = None
) -> Response:
    """Give the newest revision: the sheet as JSON, and what came out; or a report by 'Accept'."""
    Query(request.query_params, ()).done()
    told, etag = await in_thread(request, service.told, store_of(request), place)
    return await told_response(request, told, etag, kept_test_report)


@router.get(
    f"{_TEST}/sheet",
    operation_id="get_test_sheet",
    summary="Get the sheet of a test as it came",
    response_class=Response,
    responses=_SHEET,
)
async def get_test_sheet(
    request: Request, place: ThePlace, if_none_match: IfNoneMatch = None
) -> Response:
    """Give the sheet of the newest revision, byte by byte."""
    Query(request.query_params, ()).done()
    return await _sheet(request, place, None)


@router.get(
    f"{_TEST}/revisions",
    operation_id="list_test_revisions",
    summary="List the revisions of a test",
    response_class=Response,
    responses={
        200: {
            "model": KeptTestRevisions,
            "description": "A page of revisions.",
            "content": list_contents(service.REVISION_COLUMNS),
        },
        **problem_responses(*READ_PROBLEMS, NOT_ACCEPTABLE),
    },
)
async def list_test_revisions(
    request: Request, place: ThePlace, limit: Limit = None, cursor: Cursor = None
) -> Response:
    """Give the revisions in the order of their numbers, page by page."""
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [int])
    query.done()
    found, page = await in_thread(request, service.revisions, store_of(request), place, wanted)
    return list_response(request, "revisions", found, page, service.REVISION_COLUMNS)


@router.get(
    _REVISION,
    operation_id="get_test_revision",
    summary="Read a revision of a test",
    response_class=Response,
    responses=_READ,
)
async def get_test_revision(
    request: Request, place: ThePlace, revision: RevisionNumber, if_none_match: IfNoneMatch = None
) -> Response:
    """Give a revision as it was made."""
    Query(request.query_params, ()).done()
    number = number_of(revision)
    told, etag = await in_thread(request, service.told, store_of(request), place, number)
    return await told_response(request, told, etag, kept_test_report)


@router.get(
    f"{_REVISION}/sheet",
    operation_id="get_test_revision_sheet",
    summary="Get the sheet of a revision as it came",
    response_class=Response,
    responses=_SHEET,
)
async def get_test_revision_sheet(
    request: Request, place: ThePlace, revision: RevisionNumber, if_none_match: IfNoneMatch = None
) -> Response:
    """Give the sheet of a revision, byte by byte."""
    Query(request.query_params, ()).done()
    return await _sheet(request, place, number_of(revision))


async def _sheet(request: Request, place: Place, number: int | None) -> Response:
    found = await in_thread(request, service.sheet, store_of(request), place, number)
    etag = service.etag_of(found)
    if is_known(request.headers, etag):
        return Response(status_code=304, headers={"ETag": etag})
    name = f"test-{place.test[:8]}-{found.revision}.{_ENDINGS[found.media_type]}"
    headers = {"ETag": etag, "Content-Disposition": f'attachment; filename="{name}"'}
    return Response(found.sheet, headers=headers, media_type=found.media_type)


@router.get(
    f"{_REVISION}/record",
    operation_id="get_test_record",
    summary="Read the record of a revision, byte by byte",
    response_class=Response,
    responses={
        200: {
            "description": "The record in canonical form (RFC 8785): the sheet, what came out, and "
            "by what it was calculated. Its SHA-256 is the digest.",
            "content": {JSON: {"schema": {"type": "object"}}},
        },
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS),
    },
)
async def get_test_record(
    request: Request, place: ThePlace, revision: RevisionNumber, if_none_match: IfNoneMatch = None
) -> Response:
    """Give the bytes whose SHA-256 is the digest of the revision; they never change."""
    Query(request.query_params, ()).done()
    number = number_of(revision)
    found = await in_thread(request, service.record, store_of(request), place, number)
    return conditional_response(request.headers, f'"{found.digest}"', found.record)


@router.get(
    f"{_REVISION}/changes",
    operation_id="compare_test_revisions",
    summary="Tell what a revision has otherwise than an earlier one",
    response_class=Response,
    responses={
        200: {"model": KeptTestDifference, "description": "The difference, in words and numbers."},
        **problem_responses(*READ_PROBLEMS),
    },
)
async def compare_test_revisions(
    request: Request,
    place: ThePlace,
    revision: RevisionNumber,
    since: Since = None,
) -> Response:
    """Give the entries of the sheet and the figures that are not alike."""
    found = await in_thread(
        request, service.changes, store_of(request), place, *compared(request, revision)
    )
    return Response(json_text(found), media_type=JSON)
