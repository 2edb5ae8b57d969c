# ruff: noqa: ARG001 - parameters declared for the contract are read strictly as a whole
# ruff: noqa: B008, FAST002 - what a route depends on is given to the function that holds it
"""The four routes of whatever changes by new versions; each resource adds them to its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

import fastapi
from fastapi import APIRouter, Depends, Path, Request, Response
from pydantic import BaseModel, WithJsonSchema
from starlette.datastructures import Headers

from service.kit.body import json_bytes
from service.kit.conditional import (
    IfMatch,
    IfNew,
    IfNoneMatch,
    Precondition,
    conditional_response,
    precondition,
)
from service.kit.contract import problem_responses, request_body
from service.kit.paging import PARAMETERS, Cursor, Limit, link_header, links, paging
from service.kit.problems import NOT_FOUND, refuse
from service.kit.query import BadParameterError, Query, a_count, a_time
from service.kit.settings import Settings
from service.sites.routes import NOT_MODIFIED, READ_PROBLEMS, WRITE_PROBLEMS
from service.store import Store
from service.store.calls import in_thread, store_of

from . import service
from .repository import Version
from .schemas import VersionEntry, VersionList
from .service import Place

MOST_VERSIONS = 999_999_999
"""No series has more; it bounds the number in an address."""

At = Annotated[
    str | None,
    WithJsonSchema({"type": "string", "format": "date-time"}),
    fastapi.Query(
        description="Give the version that holds at this time; without it the one made last."
    ),
]
Number = Annotated[
    str,
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": MOST_VERSIONS}),
    Path(description="Number of the version.", examples=[1]),
]

Writer = Callable[[Store, Place, Precondition, bytes, Settings], tuple[Version, bool]]


@dataclass(frozen=True, slots=True)
class Versioned:
    """
    A resource that changes by new versions.

    ``word`` names it in operation ids and sentences, ``path`` is its address under the site,
    ``place`` the dependency that reads the address, ``write`` what stores a new version.
    """

    word: str
    path: str
    place: Callable[..., Place]
    write: Writer
    request: type[BaseModel]
    reply: type[BaseModel]
    example: object


def versioned_routes(router: APIRouter, resource: Versioned) -> None:
    """Add the routes of a resource: write, read, list its versions, read one of them."""
    _add_put(router, resource)
    _add_get(router, resource)
    _add_versions(router, resource)
    _add_version(router, resource)


def _answered(headers: Headers, found: Version) -> Response:
    return conditional_response(headers, service.etag_of(found), service.text_of(found))


def _read_responses(resource: Versioned) -> dict[int | str, dict[str, Any]]:
    return {
        200: {"model": resource.reply, "description": "The version."},
        **NOT_MODIFIED,
        **problem_responses(*READ_PROBLEMS),
    }


def _add_put(router: APIRouter, resource: Versioned) -> None:
    @router.put(
        resource.path,
        operation_id=f"put_{resource.word}",
        summary=f"Store a new version of a {resource.word}",
        description="The first is sent with 'If-None-Match: *', later ones with 'If-Match' and "
        "the ETag of the version made last. Versions never change; one like the last is not "
        "stored again.",
        response_class=Response,
        responses={
            200: {"model": resource.reply, "description": "The new version."},
            201: {"model": resource.reply, "description": "The first version."},
            **problem_responses(*WRITE_PROBLEMS, NOT_FOUND),
        },
        openapi_extra=request_body(resource.request, resource.example),
    )
    async def put(
        request: Request,
        place: Place = Depends(resource.place),
        body: bytes = Depends(json_bytes),
        if_match: IfMatch = None,
        if_none_match: IfNew = None,
    ) -> Response:
        expected = precondition(request.headers)
        store, settings = store_of(request), request.app.state.settings
        found, is_new = await in_thread(
            request, resource.write, store, place, expected, body, settings
        )
        headers = {
            "ETag": service.etag_of(found),
            "Content-Location": f"{request.url.path}/versions/{found.version}",
        }
        if is_new:
            headers["Location"] = request.url.path
        return Response(
            service.text_of(found),
            status_code=201 if is_new else 200,
            headers=headers,
            media_type="application/json",
        )


def _add_get(router: APIRouter, resource: Versioned) -> None:
    @router.get(
        resource.path,
        operation_id=f"get_{resource.word}",
        summary=f"Read a {resource.word}",
        description="Give the version made last, or the one that holds at a time.",
        response_class=Response,
        responses=_read_responses(resource),
    )
    async def get(
        request: Request,
        place: Place = Depends(resource.place),
        at: At = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        query = Query(request.query_params, ("at",))
        when: datetime | None = query.read("at", a_time)
        query.done()
        found = await in_thread(request, service.get, store_of(request), place, at=when)
        return _answered(request.headers, found)


def _add_versions(router: APIRouter, resource: Versioned) -> None:
    @router.get(
        f"{resource.path}/versions",
        operation_id=f"list_{resource.word}_versions",
        summary=f"List the versions of a {resource.word}",
        description="Give what each says of itself, in the order of their numbers.",
        response_class=Response,
        responses={
            200: {"model": VersionList, "description": "A page of versions."},
            **problem_responses(*READ_PROBLEMS),
        },
    )
    async def versions(
        request: Request,
        place: Place = Depends(resource.place),
        limit: Limit = None,
        cursor: Cursor = None,
    ) -> Response:
        query = Query(request.query_params, PARAMETERS)
        wanted = paging(query, [int])
        query.done()
        found, page = await in_thread(request, service.listed, store_of(request), place, wanted)
        around = links(request.url, page)
        entries = [entry(v, f"{request.url.path}/{v.version}") for v in found]
        reply = VersionList(versions=entries, **around.model_dump())
        return Response(
            reply.model_dump_json(), headers=link_header(around), media_type="application/json"
        )


def _add_version(router: APIRouter, resource: Versioned) -> None:
    @router.get(
        f"{resource.path}/versions/{{version}}",
        operation_id=f"get_{resource.word}_version",
        summary=f"Read a version of a {resource.word}",
        description="Give it as it was stored.",
        response_class=Response,
        responses=_read_responses(resource),
    )
    async def version_of(
        request: Request,
        version: Number,
        place: Place = Depends(resource.place),
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        Query(request.query_params, ()).done()
        number = _number(version)
        found = await in_thread(request, service.get, store_of(request), place, number=number)
        return _answered(request.headers, found)


def entry(version: Version, address: str) -> VersionEntry:
    """Give a version as it stands in a list."""
    return VersionEntry(
        version=version.version,
        valid_from=version.valid_from,
        valid_until=version.valid_until,
        note=version.note,
        created_at=version.created_at,
        address=address,
    )


def _number(text: str) -> int:
    try:
        return a_count(1, MOST_VERSIONS)(text)
    except BadParameterError:
        raise refuse(NOT_FOUND, "A version is named by a number from 1.") from None
