"""
Keys: how one is made, recognised and compared.

A key is ``evenlode_``, twelve hexadecimal digits by which it is found, an underscore, and 256
random bits.  It is shown once; what is kept is its SHA-256.  A slow hash is for passwords, which
can be guessed; these bits cannot.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass

_SECRET_BYTES = 32
_PREFIX_BYTES = 6

_FORM = re.compile(r"evenlode_([0-9a-f]{12})_[A-Za-z0-9_-]{43}")


@dataclass(frozen=True, slots=True)
class NewKey:
    """A key just made: the whole, which nobody keeps, and what is kept of it."""

    text: str
    prefix: str
    digest: str


def new_key() -> NewKey:
    """Make a key."""
    prefix = secrets.token_hex(_PREFIX_BYTES)
    text = f"evenlode_{prefix}_{secrets.token_urlsafe(_SECRET_BYTES)}"
    return NewKey(text, prefix, digest_of(text))


def prefix_of(text: str) -> str | None:
    """Give what a key is found by; None for what has not the form of a key."""
    found = _FORM.fullmatch(text)
    return None if found is None else found[1]


def digest_of(text: str) -> str:
    """Give the SHA-256 of a key in hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def is_same(text: str, digest: str) -> bool:
    """Say whether a key has this digest, in a time that does not tell how nearly."""
    return hmac.compare_digest(digest_of(text), digest)
