"""
Records of calculations: one form in which they are kept and hashed, and what calculated them.

The canonical form (RFC 8785) lets anyone check a digest with any tool: it is the SHA-256 of the
bytes that the service gives out.
"""

from __future__ import annotations

import hashlib
import platform
from importlib.metadata import version as version_of
from typing import Any

import rfc8785

from service.version import VERSION

_BUILT_WITH = ("numpy", "scipy", "numba")


def canonical(document: Any) -> bytes:  # noqa: ANN401 - any JSON value
    """Write a document in canonical form."""
    return rfc8785.dumps(document)


def digest_of(content: bytes) -> str:
    """Give the SHA-256 in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def engine() -> dict[str, str]:
    """Say what calculates here: replay is bit-identical only where all of it is the same."""
    return {
        "evenlode": VERSION,
        "python": platform.python_version(),
        **{name: version_of(name) for name in _BUILT_WITH},
        "machine": f"{platform.system()} {platform.machine()}",
    }
