"""Routes that calculate what a request holds and keep nothing: one maker for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel

from .accept import wanted_kind
from .body import Sent, json_bytes, sent
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
from .settings import Settings

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


class Through(Protocol):
    """From a body in another form to what ``then`` gives for the JSON that it stands for."""

    def __call__(self, content: bytes, settings: Settings, then: Work) -> bytes:
        """Do it; a function of a module, found by name."""
        ...


@dataclass(frozen=True, slots=True)
class OtherBody:
    """Another form of a request: how it is read, and what it is in words."""

    through: Through
    words: str

    @property
    def contract(self) -> dict[str, Any]:
        """How the contract tells of it."""
        return {"schema": {"type": "string", "description": self.words}}


_NO_OTHERS: Mapping[str, OtherForm] = {}
_NO_BODIES: Mapping[str, OtherBody] = {}


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
    bodies: Mapping[str, OtherBody] = _NO_BODIES,
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
    bodies
        further forms of the request beside JSON, by media type; 'Content-Type' says which it is.
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

    async def body_of(request: Request) -> Sent:
        if bodies:
            return await sent(request, (JSON, *bodies))
        return Sent(JSON, await json_bytes(request))

    async def post(request: Request) -> Response:
        body = await body_of(request)
        kind = wanted_kind(request.headers, tuple(works)) if others else JSON
        calculations: Calculations = request.app.state.calculations
        made = await calculations.run(with_body(works[kind], body.kind, bodies), body.content)
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
        openapi_extra=_with_bodies(request_body(request, example), bodies),
    )
    return router


def with_body(work: Work, kind: str, bodies: Mapping[str, OtherBody]) -> Work:
    """Give a calculation that takes a request in this form."""
    return work if kind == JSON else partial(bodies[kind].through, then=work)


def _with_bodies(told: dict[str, Any], bodies: Mapping[str, OtherBody]) -> dict[str, Any]:
    told["requestBody"]["content"] |= {kind: body.contract for kind, body in bodies.items()}
    return told
