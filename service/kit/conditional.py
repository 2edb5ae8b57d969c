"""
Conditional requests (RFC 9110, section 13): nothing stored is overwritten unseen.

Every stored resource has a strong ETag.  A write says which state it changes, by ``If-Match``, or
that there is none yet, by ``If-None-Match: *``; a read may ask for news only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated

from fastapi import Header
from starlette.datastructures import Headers
from starlette.responses import Response

from reconcile.faults import Fault

from .problems import CHANGED_MEANWHILE, INVALID_PARAMETER, PRECONDITION_REQUIRED, refuse

_TAG = r'(?:W/)?"[\x21\x23-\x7e]*"'
_TAGS = re.compile(rf"\s*{_TAG}(?:\s*,\s*{_TAG})*\s*")

IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        description="The ETag of the state that is to be changed; absent only where "
        "'If-None-Match' stands instead.",
    ),
]
IfNew = Annotated[
    str | None,
    Header(alias="If-None-Match", description="'*' where there is no such resource yet."),
]
IfNoneMatch = Annotated[
    str | None,
    Header(
        alias="If-None-Match",
        description="ETags that the caller has; where the present one is among them the answer "
        "is 304, without a body.",
    ),
]
"""As routes declare them; the functions below read the headers as a whole."""


def _tags(headers: Headers, name: str) -> list[str] | None:
    """Give the tags of a header, ``["*"]`` for any; None where it is absent."""
    given = headers.getlist(name)
    if not given:
        return None
    joined = ", ".join(given).strip()
    if joined == "*":
        return ["*"]
    if _TAGS.fullmatch(joined) is None:
        fault = Fault(
            (),
            "bad-etag",
            f"The header '{name}' holds no ETags.",
            "Copy the ETag of a reply with its quotes, such as \"1-0f3a\", or write '*'.",
        )
        raise refuse(INVALID_PARAMETER, fault.what, [fault])
    return re.findall(_TAG, joined)


@dataclass(frozen=True, slots=True)
class Precondition:
    """What a write expects of the present state: tags it may have, or that there is none."""

    any_of: tuple[str, ...] | None
    none_of: tuple[str, ...] | None

    def check(self, present: str | None) -> None:
        """
        Hold the present ETag, None where the resource does not exist, against it.

        Raises
        ------
        RefusalError
            412 where the state is another.
        """
        if self.any_of is not None and not _matches(self.any_of, present):
            what = "does not exist" if present is None else f"has the ETag {present} now"
            raise refuse(
                CHANGED_MEANWHILE,
                f"The resource {what}, which 'If-Match' does not allow.",
                headers={} if present is None else {"ETag": present},
            )
        if self.none_of is not None and _matches(self.none_of, present):
            raise refuse(
                CHANGED_MEANWHILE,
                f"The resource exists, with the ETag {present}.",
                headers={"ETag": str(present)},
            )


def _matches(tags: tuple[str, ...], present: str | None) -> bool:
    return present is not None and (tags == ("*",) or present in tags)


def precondition(headers: Headers) -> Precondition:
    """
    Give what a write expects of the present state.

    Raises
    ------
    RefusalError
        428 where the request says nothing of it, 400 where it cannot be read.
    """
    any_of, none_of = _tags(headers, "If-Match"), _tags(headers, "If-None-Match")
    if any_of is None and none_of is None:
        raise refuse(PRECONDITION_REQUIRED, "Neither 'If-Match' nor 'If-None-Match' was sent.")
    return Precondition(
        None if any_of is None else tuple(any_of), None if none_of is None else tuple(none_of)
    )


def is_known(headers: Headers, etag: str) -> bool:
    """Tell whether the reader has this state already (weak comparison, as reads ask for)."""
    tags = _tags(headers, "If-None-Match") or []
    return tags == ["*"] or etag in [tag.removeprefix("W/") for tag in tags]


def conditional_response(headers: Headers, etag: str, body: str) -> Response:
    """Answer a read: the body with its ETag, or 304 where the reader has it."""
    if is_known(headers, etag):
        return Response(status_code=304, headers={"ETag": etag})
    return Response(body, headers={"ETag": etag}, media_type="application/json")
