"""
The record of a revision: what went in, what came out, and by what it was calculated.

It is kept and hashed in canonical form (RFC 8785), so that its digest can be checked by anyone with
any tool: the SHA-256 of the bytes that the service gives out.
"""

from __future__ import annotations

import hashlib
import json
import platform
from importlib.metadata import version as version_of
from typing import Any

import rfc8785

from service.balances.service import balance
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.store.columns import json_text
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


def result_of(request: dict[str, Any], settings: Settings) -> dict[str, Any]:
    """
    Give the balance that a request leads to, without the time that it took.

    Raises
    ------
    RefusalError
        where it leads to none.
    """
    found = balance(json_text(request).encode(), settings)
    timeless = found.solver.model_copy(update={"engine_time_ms": None})
    result: dict[str, Any] = json.loads(as_json(found.model_copy(update={"solver": timeless})))
    return result


def recorded(body: bytes, settings: Settings) -> bytes:
    """
    Calculate what is to be recorded: from the inputs as JSON to the record in canonical form.

    Raises
    ------
    RefusalError
        where there is no balance.
    """
    inputs: dict[str, Any] = json.loads(body)
    result = result_of(inputs["request"], settings)
    return canonical({**inputs, "engine": engine(), "result": result})


def calculated_anew(body: bytes, settings: Settings) -> bytes:
    """
    Calculate a record again, with the settings that it was made with: replay.

    Raises
    ------
    RefusalError
        where there is no balance now.
    """
    record: dict[str, Any] = json.loads(body)
    asked = settings.model_copy(update=record["settings"])
    inputs = {name: part for name, part in record.items() if name not in {"engine", "result"}}
    return recorded(json_text(inputs).encode(), asked)
