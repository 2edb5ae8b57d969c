"""The body of a request: what it may be, and how long."""

from __future__ import annotations

import re
from email.message import EmailMessage

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .problem_replies import problem_response
from .problems import UNSUPPORTED_MEDIA_TYPE, RefusalError, problem_of, refuse_large

_HOW = "Send 'Content-Type: application/json' (curl: -H 'Content-Type: application/json')."


_MOST_LENGTH_DIGITS = 18  # about an exabyte; more digits are no length


def _declared_length(scope: Scope) -> int:
    """Give the declared length; 0 where there is none, since what arrives is counted anyway."""
    declared = Headers(scope=scope).get("content-length", "")
    if not re.fullmatch(r"[0-9]+", declared):
        return 0
    return int(declared[:_MOST_LENGTH_DIGITS])


class BodyLimit:
    """
    Plain ASGI middleware that stops a body at a limit, declared or counted as it arrives.

    A declared length above the limit is refused unread; a body without one (chunked) as soon
    as it passes the limit.
    """

    def __init__(self, app: ASGIApp, limit_bytes: int) -> None:
        self.app = app
        self.limit_bytes = limit_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, counting its body."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if _declared_length(scope) > self.limit_bytes:
            refusal = refuse_large(self.limit_bytes)
            response = problem_response(Request(scope), refusal.problem, refusal.headers)
            await response(scope, receive, send)
            return
        await self.app(scope, self._counted(receive), send)

    def _counted(self, receive: Receive) -> Receive:
        read = 0

        async def counted() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            if read > self.limit_bytes:
                raise refuse_large(self.limit_bytes)
            return message

        return counted


def _refuse_media_type(detail: str) -> RefusalError:
    problem = problem_of(UNSUPPORTED_MEDIA_TYPE, f"{detail} {_HOW}")
    return RefusalError(UNSUPPORTED_MEDIA_TYPE, problem, {"Accept": "application/json"})


def _check_media_type(headers: Headers) -> None:
    header = EmailMessage()
    given = headers.get("content-type", "")
    if not given:
        raise _refuse_media_type("The request does not say what its body is.")
    header["content-type"] = given
    kind, charset = header.get_content_type(), header.get_content_charset("utf-8")
    if kind != "application/json" and not (
        kind.startswith("application/") and kind.endswith("+json")
    ):
        raise _refuse_media_type("The body is not declared as JSON.")
    if charset not in {"utf-8", "us-ascii"}:
        raise _refuse_media_type("JSON is read in UTF-8 only.")
    if headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise _refuse_media_type("Compressed bodies are not read.")


async def json_bytes(request: Request) -> bytes:
    """
    Give the bytes of a JSON body.

    Raises
    ------
    RefusalError
        415 if the body is not declared as plain JSON, 413 if it is too long.
    """
    _check_media_type(request.headers)
    return await request.body()
