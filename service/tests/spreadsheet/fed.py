"""The passes of a filled sheet: what was done, and what was fed to each."""

from __future__ import annotations

from typing import Any

from reconcile.faults import Where

from .layout import PASSES
from .reading import Reading
from .results import Telling, json_of, number_of, result_of, text_of
from .rows import Row, Rows


def take_passes(reading: Reading, rows: Rows) -> None:
    """Read the passes, without their trays."""
    reading.slips += rows.slips
    listed: list[Any] = reading.document.setdefault("passes", [])
    for row in rows:
        where: Where = ("passes", len(listed))
        entry: dict[str, Any] = {}
        listed.append(entry)
        reading.take_row(row, [c for c in PASSES.columns if c.heading != "fed"], entry, where)
        _take_fed(reading, row, entry, where)


def _take_fed(reading: Reading, row: Row, entry: dict[str, Any], where: Where) -> None:
    place, inside = row.place("fed"), (*where, "fed")
    reading.places.append((inside, place))
    if "fed" not in row.cells:
        if "part fed" in row.cells:
            telling = Telling("part-of-nothing", "A part of what was fed?", "Fill in 'fed'.")
            reading.slip(row.place("part fed"), inside, telling)
        return
    try:
        text = text_of(row.cells["fed"][1])
        fed = json_of(text) if text.startswith(("{", "[")) else _names(text)
    except Telling as telling:
        reading.slip(place, inside, telling)
        return
    try:
        parts = _parts(row)
        if parts:
            fed = _in_parts(fed if isinstance(fed, list) else [fed], parts)
    except Telling as telling:
        reading.slip(row.place("part fed"), inside, telling)
        return
    entry["fed"] = fed[0] if isinstance(fed, list) and len(fed) == 1 else fed


def _parts(row: Row) -> list[dict[str, Any] | None]:
    """Give what was fed of each, None for the whole."""
    if "part fed" not in row.cells:
        return []
    _, value = row.cells["part fed"]
    if not isinstance(value, str):
        return [{"net": number_of(value, decimal_comma=row.grid.decimal_comma)}]
    return [_part(text.strip(), row.grid.decimal_comma) for text in value.split(";")]


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(";") if name.strip()]


def _part(text: str, decimal_comma: bool) -> dict[str, Any] | None:
    plain = text.casefold()
    if plain in {"", "whole", "all"}:
        return None
    if plain == "part":
        return {}
    if plain == "rest":
        return {"rest": True}
    found = result_of(text, decimal_comma=decimal_comma)
    return {"net": found}


def _in_parts(fed: list[Any], parts: list[dict[str, Any] | None]) -> list[Any]:
    if len(parts) != len(fed) or not all(isinstance(name, str) for name in fed):
        what = f"There are {len(parts)} parts for {len(fed)} names under 'fed'."
        mend = "Give one for each name, with ';' between them, or leave the cell blank."
        raise Telling("parts-do-not-fit", what, mend)
    return [
        name if part is None else {"of": name, **part}
        for name, part in zip(fed, parts, strict=True)
    ]
