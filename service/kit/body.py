"""The body of a request: what it may be, and how long."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from time import monotonic

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .media import CSV, JSON, NDJSON
from .problem_replies import problem_response
from .problems import BODY_TOO_SLOW, UNSUPPORTED_MEDIA_TYPE, RefusalError, problem_of, refuse_large

_HOW_LINES = f"Send JSON ('{JSON}'), one object a line ('{NDJSON}') or a table ('{CSV}')."
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
    Plain ASGI middleware that stops a body at a limit of bytes or of seconds.

    A declared length above the limit is refused unread; a body without one (chunked) as soon
    as it passes the limit.
    """

    def __init__(self, app: ASGIApp, limit_bytes: int, limit_s: float) -> None:
        self.app = app
        self.limit_bytes = limit_bytes
        self.limit_s = limit_s

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
        read, is_whole = 0, False
        until = monotonic() + self.limit_s

        async def counted() -> Message:
            nonlocal read, is_whole
            # Behind the body comes only word that the caller has left, for which there is no hurry.
            wait_s = None if is_whole else max(0.0, until - monotonic())
            try:
                async with asyncio.timeout(wait_s):
                    message = await receive()
            except TimeoutError:
                raise _refuse_slow(self.limit_s) from None
            read += len(message.get("body", b""))
            is_whole = not message.get("more_body", False)
            if read > self.limit_bytes:
                raise refuse_large(self.limit_bytes)
            return message

        return counted


def _refuse_slow(limit_s: float) -> RefusalError:
    problem = problem_of(BODY_TOO_SLOW, f"The body had not arrived after {limit_s:g} s.")
    return RefusalError(BODY_TOO_SLOW, problem, {"Connection": "close"})


def _refuse_media_type(detail: str, accepted: str, how: str) -> RefusalError:
    problem = problem_of(UNSUPPORTED_MEDIA_TYPE, f"{detail} {how}")
    return RefusalError(UNSUPPORTED_MEDIA_TYPE, problem, {"Accept": accepted})


_CHARSETS = frozenset({"utf-8", "us-ascii"})


def _media_type(
    headers: Headers, known: Sequence[str], how: str, charsets: frozenset[str] = _CHARSETS
) -> str:
    """Give the media type of a body, which is one of those known, and not compressed."""
    accepted = ", ".join(known)
    given = headers.get("content-type", "")
    if given in known and "content-encoding" not in headers:
        return given
    header = EmailMessage()
    if not given:
        raise _refuse_media_type("The request does not say what its body is.", accepted, how)
    header["content-type"] = given
    kind, charset = header.get_content_type(), header.get_content_charset("utf-8")
    if kind.startswith("application/") and kind.endswith("+json"):
        kind = JSON
    if kind not in known:
        named = "JSON" if known == (JSON,) else f"one of {accepted}"
        raise _refuse_media_type(f"The body is not declared as {named}.", accepted, how)
    if charset not in (_CHARSETS if kind == JSON else charsets):
        named = "JSON" if kind == JSON else "It"
        raise _refuse_media_type(f"{named} is read in UTF-8 only.", accepted, how)
    if headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise _refuse_media_type("Compressed bodies are not read.", accepted, how)
    return kind


async def json_bytes(request: Request) -> bytes:
    """
    Give the bytes of a JSON body.

    Raises
    ------
    RefusalError
        415 if the body is not declared as plain JSON, 413 if it is too long.
    """
    _media_type(request.headers, (JSON,), _HOW)
    return await request.body()


@dataclass(frozen=True, slots=True)
class Sent:
    """A body, and its media type."""

    kind: str
    content: bytes


async def lines_bytes(request: Request) -> Sent:
    """
    Give the bytes of a body of many entries.

    Raises
    ------
    RefusalError
        415 if it is declared as none of the three, 413 if it is too long.
    """
    kind = _media_type(request.headers, (JSON, NDJSON, CSV), _HOW_LINES)
    return Sent(kind, await request.body())


_OF_TABLES = _CHARSETS | {"windows-1252", "iso-8859-1", "utf-16"}
"""How tables may be written; which of them it is, the reader of a table finds out."""


async def sent(request: Request, kinds: Sequence[str]) -> Sent:
    """
    Give the bytes of a body that comes in one of several forms.

    Raises
    ------
    RefusalError
        415 if it is declared as none of them, 413 if it is too long.
    """
    how = f"Send 'Content-Type: ...' with one of {', '.join(kinds)}."
    kind = _media_type(request.headers, kinds, how, _OF_TABLES)
    return Sent(kind, await request.body())
