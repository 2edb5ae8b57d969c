"""Identifiers of stored things, and the short keys by which callers name them."""

from __future__ import annotations

import secrets
import time
from typing import Annotated
from uuid import UUID

from pydantic import AfterValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

_NS_PER_MS = 1_000_000
_KEY_CHARACTERS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-_.")

LONGEST_KEY = 64
"""Longest key of a site or a flowsheet; it stands in addresses and logs."""


def new_id() -> UUID:
    """
    Give a new UUID of version 7 (RFC 9562): the order of ids is the order of making.

    The twelve bits after the version carry the fraction of the millisecond (method 3 of its
    section 6.2), so that order holds to a quarter of a microsecond on one machine.
    """
    ms, ns = divmod(time.time_ns(), _NS_PER_MS)
    fraction = (ns << 12) // _NS_PER_MS
    return UUID(int=ms << 80 | 0x7 << 76 | fraction << 64 | 0b10 << 62 | secrets.randbits(62))


def is_key(text: str) -> bool:
    """Tell whether a text can be the key of something in an address."""
    return (
        0 < len(text) <= LONGEST_KEY
        and _KEY_CHARACTERS.issuperset(text)
        and text[0].isalnum()
        and text[-1].isalnum()
    )


def _checked(text: str) -> str:
    if not is_key(text):
        mend = f"Use at most {LONGEST_KEY} small letters, digits, '-', '_' and '.', of which the "
        mend += "first and the last are a letter or a digit."
        context = {"what": "This cannot stand in an address.", "mend": mend}
        raise PydanticCustomError("bad-key", "{what}", context)
    return text


KEY_SCHEMA = {
    "type": "string",
    "maxLength": LONGEST_KEY,
    "pattern": "^[a-z0-9]([a-z0-9._-]*[a-z0-9])?$",
}

Key = Annotated[str, AfterValidator(_checked), Field(strict=True), WithJsonSchema(KEY_SCHEMA)]
"""The key of a site or flowsheet in a body; in an address :func:`is_key` judges it."""
