"""Members that people try on a sheet and that are not taken: what to do instead."""

from __future__ import annotations

from service.balances import advice

_WEIGHT = "Write 'net' for a net weight, or 'gross' and 'tare'."
_WET = (
    "A sheet is of dry weights. Dry the sample, or work the dry weight out first: the wet one "
    "times 1 - moisture / 100, its error likewise. A balance (/v1/balances) can follow the water "
    "itself."
)


def _called(other: str, mend: str) -> tuple[str, str]:
    return f"There is no member '{other}' here.", mend


UNTAKEN_MEMBERS: dict[str, tuple[str, str]] = {
    **advice.UNTAKEN_MEMBERS,
    **{word: _called(word, _WEIGHT) for word in ("weight", "mass", "net_weight", "gross_weight")},
    **{word: _called(word, _WET) for word in ("moisture", "wet", "water", "drying_loss")},
    **{word: _called(word, "Write 'fed'.") for word in ("from", "source", "feeds", "input")},
    **{word: _called(word, "Write 'products'.") for word in ("trays", "outputs", "streams")},
    "readings": _called("readings", "Write weights and 'assays' beside each head and tray."),
    "flowsheet": _called("flowsheet", "A sheet needs none: it follows from what was fed."),
    "stages": _called("stages", "Write 'passes'."),
    "elements": _called("elements", "Write 'components'."),
}
