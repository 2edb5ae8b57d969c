"""What one record has otherwise than another, in words and numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.kit.figures import plus_minus

MOST_TOLD = 12
"""Figures told in words; the list holds all."""

NEGLIGIBLE_SD = 1e-6
"""
Changes below this part of a standard deviation are not told in words.

Replay on another build differs by rounding, which the solver's tolerance bounds far below this; no
decision rests on a millionth of what is known.
"""

_IDENTITY = ("source", "tag", "sample_point", "analyte", "sample", "time")
_SAYS = ("version", "result")


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of a balance with its standard deviation."""

    value: float | None
    sd: float | None
    unit: str | None


def figures_of(record: dict[str, Any]) -> dict[str, Figure]:
    """Give the masses, assays and recoveries of the shift of a record, by what they are of."""
    own, result = record["shift"]["key"], record["result"]

    def is_own(part: dict[str, Any]) -> bool:
        return part["period"] in {None, own}

    found: dict[str, Figure] = {}
    for stream in filter(is_own, result["streams"]):
        name = f"'{stream['name']}'"
        found[f"mass of {name}"] = _figure(stream["mass"])
        for assay in stream["assays"]:
            found[f"{assay['component']} of {name}"] = _figure(assay)
    for recovery in result["recoveries"]:
        for product in filter(is_own, recovery["products"]):
            what = f"recovery of {recovery['component']} to '{product['product']}'"
            found[what] = _figure(product)
    return found


def _figure(part: dict[str, Any]) -> Figure:
    return Figure(part["value"], part["sd"], part["unit"])


def reading_name(reading: dict[str, Any]) -> str:
    """Name a reading of a record in words."""
    of = reading.get("tag") or f"{reading['analyte']} at {reading['sample_point']}"
    sample = f" ({reading['sample']})" if reading.get("sample") else ""
    return f"{of}{sample} of {reading['source']}, {reading['time']}"


def difference(
    since: int, before: dict[str, Any], revision: int, after: dict[str, Any]
) -> dict[str, Any]:
    """Give what a revision has otherwise than an earlier one."""
    readings = list(_reading_changes(before, after))
    figures = figure_changes(before, after)
    statements = [*_of_versions(before, after), *map(_of_reading, readings)]
    told = [f for f in figures if f["in_sd"] is None or abs(f["in_sd"]) >= NEGLIGIBLE_SD]
    statements += [statement(f) for f in told[:MOST_TOLD]]
    if len(told) > MOST_TOLD:
        statements.append(f"{len(told) - MOST_TOLD} further figures changed by less.")
    if not statements:
        statements.append("No reading and no figure of the shift changed.")
    return {
        "since": since,
        "revision": revision,
        "statements": statements,
        "readings": readings,
        "figures": figures,
    }


def _by_identity(record: dict[str, Any]) -> dict[tuple[object, ...], dict[str, Any]]:
    return {tuple(r.get(name) for name in _IDENTITY): r for r in record["readings"]}


def _reading_changes(before: dict[str, Any], after: dict[str, Any]) -> Iterator[dict[str, Any]]:
    old, new = _by_identity(before), _by_identity(after)
    for identity in [*old, *(i for i in new if i not in old)]:
        was, is_ = old.get(identity), new.get(identity)
        change = _change(was, is_)
        if change is not None:
            name = reading_name(is_ or was or {})
            yield {"reading": name, "change": change, "before": was, "after": is_}


def _change(was: dict[str, Any] | None, is_: dict[str, Any] | None) -> str | None:
    if was is None or is_ is None:
        return "added" if was is None else "removed"
    if any(was[name] != is_[name] for name in _SAYS):
        return "corrected"
    if was["decision"] != is_["decision"]:
        return "decided"
    if (was["as"] is None) != (is_["as"] is None) or was["why"] != is_["why"]:
        return "otherwise used"
    return None


def _of_reading(change: dict[str, Any]) -> str:
    name, after = change["reading"], change["after"]
    if change["change"] == "corrected":
        was, is_ = change["before"], after
        return (
            f"{name}: version {was['version']} ({_says(was)}) was corrected by version "
            f"{is_['version']} ({_says(is_)})."
        )
    if change["change"] == "decided":
        decision = after["decision"]
        if decision is None:
            return f"{name}: the decision about it was undone."
        return f"{name}: '{decision['kind']}' by {decision['person']}: {decision['reason']}."
    if change["change"] == "otherwise used":
        return f"{name}: {'counts now' if after['as'] is not None else after['why']}."
    verb = "is new" if change["change"] == "added" else "is no longer of this shift"
    return f"{name} {verb}."


def _says(reading: dict[str, Any]) -> str:
    result = reading["result"]
    form = next(
        (n for n in ("value", "replicates", "below", "above", "result") if n in result), None
    )
    if form is None:
        return "withdrawn"
    told = str(result[form])
    return told if form in {"value", "replicates", "result"} else f"{form} {told}"


def _of_versions(before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
    was, is_ = before["versions"], after["versions"]
    if was["flowsheet"] != is_["flowsheet"]:
        yield f"The flowsheet is of version {is_['flowsheet']} instead of {was['flowsheet']}."
    if was["mapping"] != is_["mapping"]:
        yield f"The mapping is of version {is_['mapping']} instead of {was['mapping']}."
    if before["engine"] != after["engine"]:
        changed = sorted(
            n for n in after["engine"] if before["engine"].get(n) != after["engine"][n]
        )
        yield f"It was calculated by another build ({', '.join(changed)})."


def figure_changes(before: dict[str, Any], after: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the figures that two records have not alike, the largest change first."""
    old, new = figures_of(before), figures_of(after)
    nothing = Figure(None, None, None)
    found = []
    for name in dict.fromkeys([*old, *new]):
        was, is_ = old.get(name, nothing), new.get(name, nothing)
        if was != is_:
            found.append(
                {
                    "figure": name,
                    "unit": is_.unit or was.unit,
                    "before": was.value,
                    "before_sd": was.sd,
                    "after": is_.value,
                    "after_sd": is_.sd,
                    "in_sd": _in_sd(was, is_),
                }
            )
    return sorted(
        found, key=lambda f: -abs(f["in_sd"]) if f["in_sd"] is not None else float("-inf")
    )


def _in_sd(was: Figure, is_: Figure) -> float | None:
    if was.value is None or is_.value is None or not was.sd:
        return None
    return (is_.value - was.value) / was.sd


def statement(change: dict[str, Any]) -> str:
    """Tell the change of a figure in a sentence."""
    unit = f" {change['unit']}" if change["unit"] else ""
    was = _shown(change["before"], change["before_sd"])
    is_ = _shown(change["after"], change["after_sd"])
    much = "" if change["in_sd"] is None else f" ({change['in_sd']:+.2g} sd)"
    return f"{change['figure'][:1].upper()}{change['figure'][1:]}: {was} -> {is_}{unit}{much}."


def _shown(value: float | None, sd: float | None) -> str:
    return "not known" if value is None else plus_minus(value, sd)
