"""Is the request too large: judged before anything else, so that the judging itself is bounded."""

from __future__ import annotations

from typing import Any

from reconcile.faults import Fault, Where
from service.kit.settings import Settings


def _limits(settings: Settings) -> dict[Where, int]:
    return {
        ("flowsheet", "nodes"): settings.stream_limit,
        ("flowsheet", "streams"): settings.stream_limit,
        ("flowsheet", "components"): settings.component_limit,
        ("readings",): settings.reading_limit,
    }


def _at(document: Any, where: Where) -> Any:  # noqa: ANN401 - any JSON value
    for part in where:
        document = document.get(part) if isinstance(document, dict) else None
    return document


def faults_of_size(document: Any, settings: Settings) -> list[Fault]:  # noqa: ANN401
    """Give the lists of a request that are longer than this service takes."""
    faults = []
    for where, limit in _limits(settings).items():
        found = _at(document, where)
        if isinstance(found, list) and len(found) > limit:
            faults.append(
                Fault(
                    where,
                    f"too-many-{where[-1]}",
                    f"There are {len(found)} {where[-1]}; this service takes {limit}.",
                    "Balance parts of the flowsheet on their own, or run a service with a "
                    "higher limit.",
                )
            )
    return faults
