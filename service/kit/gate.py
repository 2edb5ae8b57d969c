"""The gate that closes when the service stops: what is at work finishes, what comes is refused."""

from __future__ import annotations

from time import monotonic

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from .problem_replies import problem_response
from .problems import STOPPING, problem_of

ALWAYS_OPEN = frozenset({"/livez", "/readyz", "/metrics"})
"""What is asked by those who decide where to send requests, and so must be answered to the end."""


class Gate:
    """Counts the requests at work, and knows whether more may come in."""

    def __init__(self) -> None:
        self.in_flight = 0
        self._closed_at: float | None = None

    @property
    def is_closed(self) -> bool:
        """Say whether the service is stopping."""
        return self._closed_at is not None

    def close(self) -> None:
        """Refuse requests from now on."""
        if self._closed_at is None:
            self._closed_at = monotonic()

    @property
    def closed_for_s(self) -> float:
        """Give the seconds since the gate was closed; zero while it is open."""
        return 0.0 if self._closed_at is None else monotonic() - self._closed_at


class Guarded:
    """Plain ASGI middleware that lets requests through the gate, or answers 503."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self.app = app
        self.gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on if the gate is open."""
        if scope["type"] != "http" or scope["path"] in ALWAYS_OPEN:
            await self.app(scope, receive, send)
            return
        if self.gate.is_closed:
            problem = problem_of(STOPPING, "The service is stopping; what it began, it finishes.")
            headers = {"Connection": "close", "Retry-After": "5"}
            await problem_response(Request(scope), problem, headers)(scope, receive, send)
            return
        self.gate.in_flight += 1
        try:
            await self.app(scope, receive, send)
        finally:
            self.gate.in_flight -= 1
