"""Members that people try and that are not taken: what to say, and what to do instead."""

from __future__ import annotations

_SD = "Write 'sd' for a standard deviation in the unit of the value, 'relative_sd' for a fraction."


def _called(other: str, mend: str) -> tuple[str, str]:
    return f"There is no member '{other}' here.", mend


UNTAKEN_MEMBERS: dict[str, tuple[str, str]] = {
    "values": _called("values", "Write 'replicates' for determinations of the same thing."),
    "less_than": _called("less_than", "Write 'below' for a detection limit."),
    "detection_limit": _called(
        "detection_limit", "Write 'below' in a reading; a component has the limit of its words."
    ),
    **{word: _called(word, _SD) for word in ("std", "stdev", "sigma", "error", "uncertainty")},
    "source": _called("source", "Write 'from' for the node that a stream leaves."),
    "target": _called("target", "Write 'to' for the node that a stream enters."),
    "component": _called("component", "Write 'of' for what was measured."),
    "covariance": _called(
        "covariance", "Name what readings share under 'causes', with its standard deviation."
    ),
}
