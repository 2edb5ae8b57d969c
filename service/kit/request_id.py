"""What a request is called: an id, from the caller if it is harmless, and a place in a trace."""

from __future__ import annotations

import re
import uuid

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from . import trace

HEADER = "X-Request-ID"

_HARMLESS = re.compile(r"[A-Za-z0-9._-]{1,64}")


def request_id_of(scope: Scope) -> str:
    """Give the id of the request being answered."""
    return str(scope["evenlode.request_id"])


class RequestId:
    """
    Plain ASGI middleware that puts id and trace on the scope, the reply and every line of the log.

    The reply to a defect of the service is written outside all middleware; its handler puts
    the id there.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with its id."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        given = headers.get(HEADER, "")
        request_id = given if _HARMLESS.fullmatch(given) else str(uuid.uuid4())
        span = trace.span_of(headers.get(trace.HEADER, ""))
        scope["evenlode.request_id"] = request_id

        async def send_with_id(message: Message) -> None:
            if message["type"] == "http.response.start":
                reply = MutableHeaders(scope=message)
                reply[HEADER] = request_id
                reply[trace.REPLY_HEADER] = span.header
            await send(message)

        with structlog.contextvars.bound_contextvars(
            request_id=request_id, trace_id=span.trace_id, span_id=span.span_id
        ):
            await self.app(scope, receive, send_with_id)
