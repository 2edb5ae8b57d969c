"""The resource /v1/sites."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import WithJsonSchema

from service.kit.body import json_bytes
from service.kit.caller import caller_of
from service.kit.conditional import (
    IfMatch,
    IfNew,
    IfNoneMatch,
    conditional_response,
    precondition,
)
from service.kit.contract import problem_responses, request_body
from service.kit.identifiers import KEY_SCHEMA
from service.kit.paging import PARAMETERS, Cursor, Limit, link_header, links, paging
from service.kit.problems import (
    BODY_TOO_LARGE,
    CHANGED_MEANWHILE,
    INTERNAL,
    INVALID_PARAMETER,
    INVALID_REQUEST,
    MALFORMED,
    NOT_FOUND,
    PRECONDITION_REQUIRED,
    STORE_UNAVAILABLE,
    UNSUPPORTED_MEDIA_TYPE,
)
from service.kit.query import Query
from service.store.calls import in_thread, store_of

from . import service
from .schemas import EXAMPLE, SiteList, SiteObject, SiteReply

router = APIRouter(prefix="/v1/sites", tags=["sites"])

SiteKey = Annotated[
    str,
    WithJsonSchema(KEY_SCHEMA),
    Path(description="Key of the site.", examples=["tin-shed"]),
]

WRITE_PROBLEMS = (
    MALFORMED,
    INVALID_PARAMETER,
    CHANGED_MEANWHILE,
    BODY_TOO_LARGE,
    UNSUPPORTED_MEDIA_TYPE,
    INVALID_REQUEST,
    PRECONDITION_REQUIRED,
    INTERNAL,
    STORE_UNAVAILABLE,
)
"""How a conditional write may end otherwise."""

READ_PROBLEMS = (INVALID_PARAMETER, NOT_FOUND, INTERNAL, STORE_UNAVAILABLE)
"""How a read may end otherwise."""

NOT_MODIFIED: dict[int | str, dict[str, Any]] = {
    304: {"description": "The reader has this state already."}
}


@router.put(
    "/{site}",
    operation_id="put_site",
    summary="Make or change a site",
    response_class=Response,
    responses={
        200: {"model": SiteReply, "description": "The site as changed."},
        201: {"model": SiteReply, "description": "The new site."},
        **problem_responses(*WRITE_PROBLEMS),
    },
    openapi_extra=request_body(SiteObject, EXAMPLE),
)
async def put_site(
    request: Request,
    site: SiteKey,
    body: Annotated[bytes, Depends(json_bytes)],
    if_match: IfMatch = None,  # noqa: ARG001 - read as a whole below
    if_none_match: IfNew = None,  # noqa: ARG001
) -> Response:
    """
    Make a site ('If-None-Match: *') or change it ('If-Match' with its ETag).

    Every state that it had is kept.
    """
    expected = precondition(request.headers)
    found, is_new = await in_thread(request, service.put, store_of(request), site, expected, body)
    return Response(
        service.reply_of(found).model_dump_json(),
        status_code=201 if is_new else 200,
        headers={"ETag": service.etag_of(found)}
        | ({"Location": request.url.path} if is_new else {}),
        media_type="application/json",
    )


@router.get(
    "/{site}",
    operation_id="get_site",
    summary="Read a site",
    response_class=Response,
    responses={
        200: {"model": SiteReply, "description": "The site."},
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS),
    },
)
async def get_site(
    request: Request,
    site: SiteKey,
    if_none_match: IfNoneMatch = None,  # noqa: ARG001
) -> Response:
    """Give a site with its ETag."""
    Query(request.query_params, ()).done()
    found = await in_thread(request, service.get, store_of(request), site)
    text = service.reply_of(found).model_dump_json()
    return conditional_response(request.headers, service.etag_of(found), text)


@router.get(
    "",
    operation_id="list_sites",
    summary="List the sites",
    response_class=Response,
    responses={
        200: {"model": SiteList, "description": "A page of sites."},
        **problem_responses(INVALID_PARAMETER, INTERNAL, STORE_UNAVAILABLE),
    },
)
async def list_sites(
    request: Request,
    limit: Limit = None,  # noqa: ARG001 - read strictly below
    cursor: Cursor = None,  # noqa: ARG001
) -> Response:
    """Give the sites that the caller may know of in the order of their keys, page by page."""
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [str])
    query.done()
    only = caller_of(request).site
    sites, page = await in_thread(request, service.listed, store_of(request), wanted, only)
    around = links(request.url, page)
    reply = SiteList(sites=[service.reply_of(s) for s in sites], **around.model_dump())
    return Response(
        reply.model_dump_json(), headers=link_header(around), media_type="application/json"
    )
