"""Everything that goes wrong leaves the service as application/problem+json."""

from __future__ import annotations

import logging
from http import HTTPStatus

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from .problems import (
    INTERNAL,
    KINDS,
    MEDIA_TYPE,
    Kind,
    Problem,
    RefusalError,
    as_json,
    problem_of,
)
from .request_id import HEADER, request_id_of

_log = logging.getLogger("evenlode")

_KIND_OF_STATUS: dict[int, Kind] = {
    kind.status: kind for kind in KINDS.values() if kind.slug in {"not-found", "method-not-allowed"}
}


def problem_response(
    request: Request, problem: Problem, headers: dict[str, str] | None = None
) -> Response:
    """Give the response that carries a problem, with the request's id as its instance."""
    named = problem.model_copy(update={"instance": request_id_of(request.scope)})
    return Response(
        as_json(named), status_code=problem.status, headers=headers, media_type=MEDIA_TYPE
    )


async def _on_refusal(request: Request, error: Exception) -> Response:
    if not isinstance(error, RefusalError):
        raise error
    return problem_response(request, error.problem, error.headers)


def _of_framework(error: HTTPException, path: str) -> Problem:
    kind = _KIND_OF_STATUS.get(error.status_code)
    if kind is not None:
        return problem_of(kind, f"{kind.title}: {path[:200]}")
    # RFC 9457, section 4.2.1: without a type of its own a problem means no more than its status.
    phrase = HTTPStatus(error.status_code).phrase
    return Problem(type="about:blank", title=phrase, status=error.status_code, detail=phrase)


async def _on_framework_error(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    problem = _of_framework(error, request.url.path)
    return problem_response(request, problem, dict(error.headers or {}))


async def _on_defect(request: Request, error: Exception) -> Response:
    request_id = request_id_of(request.scope)
    _log.error("request %s failed", request_id, exc_info=error)
    problem = problem_of(INTERNAL, "The service failed on this request.")
    return problem_response(request, problem, {HEADER: request_id})


def install(app: FastAPI) -> None:
    """Answer refusals, the framework's own errors and defects in the one form."""
    app.add_exception_handler(RefusalError, _on_refusal)
    app.add_exception_handler(HTTPException, _on_framework_error)
    app.add_exception_handler(Exception, _on_defect)
