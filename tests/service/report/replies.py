"""Replies that reports are made of in the tests, and what every form must show of them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from typing import Any

from service.balances.reply import BalanceReply
from service.balances.service import balance
from service.kit.figures import plus_minus
from service.kit.settings import Settings
from tests.service.client import example, minimal

HOSTILE = (
    "<script>alert('x')</script>",
    "=1+2",
    "\"quoted\" & 'single' $x_1$ @0@ --> {{ 7*7 }}",
    "\u05e9\u05d5\u05dc\u05d9 \u0627\u0644\u062e\u0627\u0645 \u4e2d\u6587",
    "n" * 80,
)
"""Names that would do harm, or break a line, where they were not minded."""


@cache
def reply_to(name: str) -> BalanceReply:
    """Give the reply to an example."""
    return balance(json.dumps(example(name)).encode(), Settings())


def hostile_request() -> dict[str, Any]:
    """Give a request whose title, note, nodes, streams and components have hostile names."""
    request = minimal()
    text = json.dumps(request)
    for name, new in zip(("feed", "mag 1", "nonmag", "stage 1", "Sn"), HOSTILE, strict=True):
        text = text.replace(json.dumps(name), json.dumps(new))
    return json.loads(text) | {"title": HOSTILE[0], "note": HOSTILE[2]}


@cache
def hostile_reply() -> BalanceReply:
    """Give the reply to the hostile request."""
    return balance(json.dumps(hostile_request()).encode(), Settings())


def figures(reply: BalanceReply) -> Iterator[str]:
    """
    Give the figures of masses, yields, assays and recoveries as they are to be shown.

    They are taken from the JSON of the reply, not from the tables that reports are made of.
    """
    wire = json.loads(reply.model_dump_json(by_alias=True))
    for stream in wire["streams"]:
        for part in (stream["mass"], stream["yield"], *stream["assays"]):
            if part["value"] is not None and stream["mass"]["value"] != 0:
                yield plus_minus(part["value"], part["sd"])
    for recovery in wire["recoveries"]:
        for product in recovery["products"]:
            if product["value"] is not None:
                yield plus_minus(product["value"], product["sd"])
