"""A request id for every request: taken from the caller if it is harmless, made otherwise."""

from __future__ import annotations

import re
import uuid

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADER = "X-Request-ID"

_HARMLESS = re.compile(r"[A-Za-z0-9._-]{1,64}")


def request_id_of(scope: Scope) -> str:
    """Give the id of the request being answered."""
    return str(scope["evenlode.request_id"])


class RequestId:
    """
    Plain ASGI middleware that puts the id on the scope and into the reply's headers.

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
        given = Headers(scope=scope).get(HEADER, "")
        request_id = given if _HARMLESS.fullmatch(given) else str(uuid.uuid4())
        scope["evenlode.request_id"] = request_id

        async def send_with_id(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message)[HEADER] = request_id
            await send(message)

        await self.app(scope, receive, send_with_id)
