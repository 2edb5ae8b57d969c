"""Is the request too large: judged before anything else, so that the judging itself is bounded."""

from __future__ import annotations

from typing import Any

from reconcile.faults import Fault, Where
from service.kit.settings import Settings

_MEND = "Balance parts of the flowsheet on their own, or run a service with a higher limit."


def _limits(settings: Settings) -> dict[Where, int]:
    return {
        ("flowsheet", "nodes"): settings.stream_limit,
        ("flowsheet", "streams"): settings.stream_limit,
        ("flowsheet", "components"): settings.component_limit,
        ("flowsheet", "analytes"): settings.component_limit,
        ("flowsheet", "closures"): settings.component_limit,
        ("flowsheet", "likenesses"): settings.stream_limit,
        ("flowsheet", "orders"): settings.stream_limit,
        ("flowsheet", "sizes", "apertures"): settings.component_limit,
        ("periods",): settings.stream_limit,
        ("error_models",): settings.reading_limit,
        ("causes",): settings.reading_limit,
        ("controls",): settings.reading_limit,
        ("readings",): settings.reading_limit,
        ("heads",): settings.stream_limit,
        ("passes",): settings.stream_limit,
        ("tares",): settings.stream_limit,
        ("design",): settings.reading_limit,
        ("targets",): settings.component_limit,
        ("candidates",): settings.reading_limit,
        ("costs",): settings.reading_limit,
    }


def _at(document: Any, where: Where) -> Any:  # noqa: ANN401 - any JSON value
    for part in where:
        document = document.get(part) if isinstance(document, dict) else None
    return document


def _count(document: Any, *where: str) -> int:  # noqa: ANN401 - any JSON value
    found = _at(document, where)
    return len(found) if isinstance(found, list) else 0


def faults_of_size(document: Any, settings: Settings) -> list[Fault]:  # noqa: ANN401
    """Give the lists of a request that are longer than this service takes."""
    faults = []
    for where, limit in _limits(settings).items():
        count = _count(document, *map(str, where))
        if count > limit:
            kind = str(where[-1]).replace("_", " ")
            what = f"There are {count} {kind}; this service takes {limit}."
            faults.append(Fault(where, f"too-many-{where[-1]}".replace("_", "-"), what, _MEND))
    return faults or _faults_of_product(document, settings)


def _faults_of_product(document: Any, settings: Settings) -> list[Fault]:  # noqa: ANN401
    """Streams in all periods, and what is followed in each: they multiply."""
    streams = _count(document, "flowsheet", "streams") * (_count(document, "periods") or 1)
    classes = _count(document, "flowsheet", "sizes", "apertures") + 1
    by_size = classes * (1 + _count(document, "flowsheet", "sizes", "components"))
    quantities = 2 + _count(document, "flowsheet", "components") + by_size * (classes > 1)
    faults = []
    if streams > settings.stream_limit:
        what = f"There are {streams} streams in all periods; this service takes "
        what += f"{settings.stream_limit}."
        faults.append(Fault(("periods",), "too-many-streams", what, _MEND))
    most = settings.stream_limit * (settings.component_limit + 2)
    if streams * quantities > most:
        what = f"{streams} streams of {quantities} quantities each are {streams * quantities}; "
        what += f"this service takes {most}."
        faults.append(Fault(("flowsheet",), "too-many-quantities", what, _MEND))
    return faults
