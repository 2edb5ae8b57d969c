"""
The place of a request in a trace that began elsewhere: W3C Trace Context.

The header ``traceparent`` of a caller is taken if it is well formed; otherwise a trace begins here.
"""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass

HEADER = "traceparent"

REPLY_HEADER = "traceresponse"
"""Where the reply says which span it was: Trace Context Level 2 (quoted from memory)."""

_WELL_FORMED = re.compile(r"([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")
_INVALID_VERSION, _VERSION = "ff", "00"


@dataclass(frozen=True, slots=True)
class Span:
    """One request in its trace; identifiers as lower-case hexadecimal digits."""

    trace_id: str
    span_id: str
    parent_id: str | None
    flags: str

    @property
    def header(self) -> str:
        """What to pass on to whoever is called on behalf of this request."""
        return f"{_VERSION}-{self.trace_id}-{self.span_id}-{self.flags}"


def span_of(given: str) -> Span:
    """Give the span of a request with this ``traceparent``, which may be empty or wrong."""
    found = _WELL_FORMED.fullmatch(given.strip())
    span_id = secrets.token_hex(8)
    if found is None or not _is_valid(*found.groups()):
        return Span(secrets.token_hex(16), span_id, None, "00")
    _, trace_id, parent_id, flags, _ = found.groups()
    return Span(trace_id, span_id, parent_id, flags)


def _is_valid(version: str, trace_id: str, parent_id: str, _: str, more: str | None) -> bool:
    """Say whether it means anything: no zero identifiers, and nothing behind version 00."""
    if version == _INVALID_VERSION or (version == _VERSION and more):
        return False
    return bool(int(trace_id, 16) and int(parent_id, 16))
