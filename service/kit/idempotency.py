"""
The header ``Idempotency-Key`` (IETF draft): a posting that is sent again is answered again.

What was answered is kept by :mod:`service.store.once`, in the same transaction as what was
stored; this module only reads the header and knows one request from another.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Header
from starlette.requests import Request

from reconcile.faults import Fault

from .caller import caller_of
from .problems import INVALID_PARAMETER, refuse

LONGEST = 200

_KEY = re.compile(rf'"?([\x21\x23-\x5b\x5d-\x7e]{{1,{LONGEST}}})"?')

IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        description="A word of the caller's own, new for each new request, such as a UUID. Sent "
        "again with the same request it brings the same answer, and nothing is done twice. "
        "Answers are kept for the hours set by EVENLODE_IDEMPOTENCY_HOURS.",
    ),
]
"""As routes declare it; :func:`attempt_of` reads it."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """
    One sending of a posting.

    ``scope`` tells callers and operations apart, ``fingerprint`` requests; ``key`` is None
    where the caller sent none.
    """

    scope: str
    key: str | None
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What a posting is answered with, as it is kept: JSON as text, and its headers."""

    status: int
    body: str
    headers: dict[str, str] = field(default_factory=dict)


def attempt_of(request: Request, body: bytes) -> Attempt:
    """
    Give what tells this posting from others.

    Raises
    ------
    RefusalError
        400 where the header cannot be read.
    """
    given = request.headers.getlist("Idempotency-Key")
    key = None
    if given:
        found = _KEY.fullmatch(given[0].strip())
        if found is None or len(given) > 1:
            fault = Fault(
                (),
                "bad-idempotency-key",
                "The header 'Idempotency-Key' holds no key.",
                f"Send one key of 1 to {LONGEST} visible ASCII characters, such as a UUID.",
            )
            raise refuse(INVALID_PARAMETER, fault.what, [fault])
        key = found[1]
    address = f"{request.method} {request.url.path}"
    parts = (address, request.url.query, request.headers.get("content-type", ""))
    digest = hashlib.sha256("\n".join(parts).encode() + b"\n" + body).hexdigest()
    return Attempt(f"{caller_of(request).id} {address}", key, digest)
