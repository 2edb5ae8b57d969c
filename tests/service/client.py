"""A client that speaks to the service in this process, and the requests the tests start from."""

from __future__ import annotations

import copy
import json
from collections.abc import AsyncIterator
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any

import anyio
import httpx
from fastapi import FastAPI

from service.app import create_app
from service.balances.reply import BalanceReply
from service.balances.schemas import MINIMAL_EXAMPLE
from service.kit.replies import as_bytes
from service.kit.settings import Settings

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "openapi" / "examples"
SIMPLE_NAMES = ("flow-network", "rougher-cleaner-scavenger", "tin-shed")
"""The examples of dry masses and assays alone."""

GENERAL_NAMES = (
    "cyclone-with-water",
    "grinding-circuit",
    "limits-and-shared-errors",
    "mineral-sand",
    "plant-survey",
    "stocks-over-three-shifts",
)
FAULTY_NAMES = ("mislabelled-tray",)
"""Examples of readings that cannot all be true."""

EXAMPLE_NAMES = tuple(sorted((*SIMPLE_NAMES, *GENERAL_NAMES, *FAULTY_NAMES)))

JSON = {"Content-Type": "application/json"}
BALANCES = "/v1/balances"


@cache
def default_app() -> FastAPI:
    """Give the service with its default limits."""
    return create_app(Settings())


def ask(
    method: str,
    url: str,
    *,
    app: FastAPI | None = None,
    content: str | bytes | AsyncIterator[bytes] | None = None,
    headers: dict[str, str] | None = None,
) -> httpx.Response:
    """Send one request; a defect comes back as the reply the service makes of it."""

    async def one() -> httpx.Response:
        transport = httpx.ASGITransport(app or default_app(), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return await client.request(method, url, content=content, headers=headers)

    return anyio.run(one)


def post(body: object, app: FastAPI | None = None) -> httpx.Response:
    """
    Ask for a balance; text and bytes are sent as they stand, anything else as JSON.

    Every reply that is a balance is held to its model: written by it, it is the same to the byte.
    """
    content = body if isinstance(body, str | bytes) else json.dumps(body)
    reply = ask("POST", BALANCES, content=content, headers=JSON, app=app)
    if reply.status_code == HTTPStatus.OK:
        assert reply.content == as_bytes(BalanceReply.model_validate_json(reply.content))
    return reply


def minimal() -> dict[str, Any]:
    """Give a valid request: one node, a feed, two products, one component."""
    return copy.deepcopy(MINIMAL_EXAMPLE)


def example(name: str) -> dict[str, Any]:
    """Give an example request."""
    found: dict[str, Any] = json.loads((EXAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    return found


def faults(reply: httpx.Response) -> dict[str, str]:
    """Give the codes of a problem by pointer."""
    return {fault["pointer"]: fault["code"] for fault in reply.json()["faults"]}


def stream(reply: httpx.Response, name: str) -> dict[str, Any]:
    """Give one stream of a balance."""
    found: dict[str, Any] = next(s for s in reply.json()["streams"] if s["name"] == name)
    return found
