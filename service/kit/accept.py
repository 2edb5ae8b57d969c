"""Which form of a reply a caller likes best."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.datastructures import Headers

from .problems import NOT_ACCEPTABLE, refuse

_LEAST_WEIGHT = 0.0


def wanted_kind(headers: Headers, kinds: Sequence[str]) -> str:
    """
    Give the media type that a caller likes best of those there are (RFC 9110, section 12.5.1).

    Of several liked alike it is the first, as it is where none is named.

    Raises
    ------
    RefusalError
        406 where none of them would do.
    """
    given = ", ".join(headers.getlist("accept")).strip()
    if not given:
        return kinds[0]
    weights = {kind: _weight_of(kind, given) for kind in kinds}
    best = max(kinds, key=lambda kind: weights[kind])
    if weights[best] <= _LEAST_WEIGHT:
        raise refuse(NOT_ACCEPTABLE, f"None of {', '.join(kinds)} is accepted.")
    return best


def _weight_of(kind: str, accepted: str) -> float:
    """Give the weight of the most specific range that a media type lies in."""
    ranges = {f"{kind.partition('/')[0]}/*": 1, "*/*": 0, kind: 2}
    found = (-1, _LEAST_WEIGHT)
    for entry in accepted.split(","):
        name, *parameters = (part.strip().lower() for part in entry.split(";"))
        weight = next((_weight(p[2:]) for p in parameters if p.startswith("q=")), 1.0)
        if name in ranges and ranges[name] > found[0]:
            found = (ranges[name], weight)
    return found[1]


def _weight(text: str) -> float:
    try:
        return min(1.0, max(_LEAST_WEIGHT, float(text)))
    except ValueError:
        return _LEAST_WEIGHT
