"""Routes that calculate what a request holds and keep nothing: one maker for all of them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from pydantic import BaseModel

from .body import JSON, json_bytes
from .calculations import Calculations, Work
from .contract import problem_responses, request_body
from .problems import (
    BODY_TOO_LARGE,
    BUSY,
    CALCULATION_LOST,
    INTERNAL,
    INVALID_REQUEST,
    MALFORMED,
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
    """
    router = APIRouter(prefix=path, tags=[tag])
    responses: dict[int | str, dict[str, Any]] = {
        200: {"model": reply, "description": gives},
        **problem_responses(*_IN_ANY[:4], *also, *_IN_ANY[4:]),
    }

    async def post(request: Request, body: Annotated[bytes, Depends(json_bytes)]) -> Response:
        calculations: Calculations = request.app.state.calculations
        return Response(await calculations.run(work, body), media_type=JSON)

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
