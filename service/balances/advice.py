"""Members that people try and that are not taken: what to say, and what to do instead."""

from __future__ import annotations

_SD = "Write 'sd' for a standard deviation in the unit of the value, 'relative_sd' for a fraction."
_MEAN = (
    "Give their mean as 'value' and their standard deviation divided by the square root of "
    "their number as 'sd'."
)
_REPLICATES = ("Replicates are not taken one by one.", _MEAN)
_SMALL = (
    "Leave the reading out, which treats it as not measured, or give the figure of the "
    "instrument with its sd, even where it is small or negative."
)


def _called(other: str, mend: str) -> tuple[str, str]:
    return f"There is no member '{other}' here.", mend


UNTAKEN_MEMBERS: dict[str, tuple[str, str]] = {
    "below": (
        "Readings below a detection limit ('below') are not supported.",
        _SMALL,
    ),
    "replicates": _REPLICATES,
    "values": _REPLICATES,
    **{word: _called(word, _SD) for word in ("std", "stdev", "sigma", "error", "uncertainty")},
    "source": _called("source", "Write 'from' for the node that a stream leaves."),
    "target": _called("target", "Write 'to' for the node that a stream enters."),
    "component": _called("component", "Write 'of' for what was measured."),
}
