"""Routes that calculate what a request holds and keep nothing: one maker for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from pydantic import BaseModel

from .accept import wanted_kind
from .body import json_bytes
from .calculations import Calculations, Work
from .contract import other_contents, problem_responses, request_body
from .media import JSON
from .problems import (
    BODY_TOO_LARGE,
    BUSY,
    CALCULATION_LOST,
    INTERNAL,
    INVALID_REQUEST,
    MALFORMED,
    NOT_ACCEPTABLE,
    NOT_CONVERGED,
    OVER_BUDGET,
    UNSUPPORTED_MEDIA_TYPE,
    Kind,
)

_IN_ANY = (
    MALFORMED,
    BODY_TOO_LARGE,
    UNSUPPORTED_MEDIA_TYPE,
    INVALID_REQUEST,
    NOT_CONVERGED,
    INTERNAL,
    CALCULATION_LOST,
    OVER_BUDGET,
    BUSY,
)


@dataclass(frozen=True, slots=True)
class OtherForm:
    """Another form of a reply: the calculation that gives it, and what it is in words."""

    work: Work
    words: str


_NO_OTHERS: Mapping[str, OtherForm] = {}


def calculating(
    work: Work,
    *,
    path: str,
    tag: str,
    operation: str,
    summary: str,
    description: str,
    request: type[BaseModel],
    example: object,
    reply: type[BaseModel],
    gives: str,
    also: tuple[Kind, ...] = (),
    others: Mapping[str, OtherForm] = _NO_OTHERS,
) -> APIRouter:
    """
    Give a router with one POST, whose calculation runs beside the event loop.

    Parameters
    ----------
    work
        the calculation, a function of a module; from the bytes of a request to those of its reply.
    path, tag, operation, summary, description
        where it is, and how the contract tells of it.
    request, example, reply, gives
        models of request and reply, a complete request, and the reply in a few words.
    also
        problems that it may end in beside those of every calculation.
    others
        further forms of the reply beside JSON, by media type; which one is sent, 'Accept' says.
    """
    router = APIRouter(prefix=path, tags=[tag])
    responses: dict[int | str, dict[str, Any]] = {
        200: {"model": reply, "description": gives},
        **problem_responses(*_IN_ANY[:4], *also, *_IN_ANY[4:]),
    }
    if others:
        words = {kind: form.words for kind, form in others.items()}
        responses[200]["content"] = other_contents(words)
        responses |= problem_responses(NOT_ACCEPTABLE)
    works = {JSON: work, **{kind: form.work for kind, form in others.items()}}
    varying = {"Vary": "Accept"} if others else {}

    async def post(request: Request, body: Annotated[bytes, Depends(json_bytes)]) -> Response:
        kind = wanted_kind(request.headers, tuple(works)) if others else JSON
        calculations: Calculations = request.app.state.calculations
        made = await calculations.run(works[kind], body)
        return Response(made, headers=varying, media_type=kind)

    router.add_api_route(
        "",
        post,
        methods=["POST"],
        operation_id=operation,
        summary=summary,
        description=description,
        response_class=Response,
        responses=responses,
        openapi_extra=request_body(request, example),
    )
    return router
