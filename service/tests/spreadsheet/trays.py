"""The trays of a filled sheet: into their passes, and the heads before them."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from reconcile.faults import Where

from .grid import Grid
from .layout import PASSES, TRAYS, WHATS, parsed_heading, plainly
from .reading import Reading
from .results import Telling, result_of, shown
from .rows import Row, Rows

_PRODUCT, _HEAD, _FEED, _KEPT = WHATS
_TREES: Where = ("passes",)
_MOST_LISTED = 20

Columns = Mapping[int, tuple[str, str]]
"""Name and unit of each column of assays."""

Lots = dict[str, tuple[dict[str, Any], Where]]
"""Each head and tray by its name, with its place in the document."""


def take_trays(reading: Reading, grid: Grid, rows: Rows) -> None:
    """Read the trays into their passes, and the heads."""
    reading.slips += rows.slips
    assays = _assay_columns(reading, grid, rows)
    heads = [row for row in rows if _what(row) == _HEAD]
    several = len(heads) > 1
    lots: Lots = {}
    for k, row in enumerate(heads):
        where: Where = ("heads", k) if several else ("head",)
        entry = _lot(reading, row, assays, where)
        lots.setdefault(row.text("tray"), (entry, where))
        if several:
            reading.document.setdefault("heads", []).append(entry)
        else:
            reading.document["head"] = entry
        if "pass" in row.cells:
            what = "A head comes from no pass."
            telling = Telling("pass-of-head", what, "Leave the pass blank, or correct 'what'.")
            reading.slip(row.place("pass"), where, telling)
    for row in rows:
        if _what(row) == _PRODUCT:
            _take_product(reading, row, assays, lots)
    for row in rows:
        if _what(row) == _FEED:
            _take_feed(reading, row, assays)
        elif _what(row) == _KEPT:
            _take_kept(reading, row, assays, lots)
        elif _what(row) not in WHATS:
            what = f"'{shown(row.text('what'))}' is no kind of row."
            telling = Telling("unknown-word", what, f"Use one of {', '.join(WHATS)}.")
            reading.slip(row.place("what"), _TREES, telling)


def _what(row: Row) -> str:
    return row.text("what").casefold() or _PRODUCT


def _pass_of(reading: Reading, row: Row) -> int | None:
    """Give the number of the pass that a row names, from 0."""
    named = row.text("pass")
    passes = reading.document["passes"]
    exact = [i for i, p in enumerate(passes) if p.get("name") == named]
    alike = [i for i, p in enumerate(passes) if _called(i, p) & {plainly(named)}]
    found = exact or alike
    if named and found:
        return found[0]
    names = [str(p.get("name") or f"pass {i + 1}") for i, p in enumerate(passes)]
    close = difflib.get_close_matches(named, names, n=1, cutoff=0.6)
    hint = f"Did you mean '{close[0]}'? " if close else ""
    told = f"There is no pass '{shown(named)}'." if named else "The row names no pass."
    known = f"The sheet '{PASSES.name}' has: {', '.join(names[:_MOST_LISTED]) or 'none'}."
    telling = Telling("unknown-pass" if named else "no-pass", told, f"{hint}{known}")
    reading.slip(row.place("pass"), _TREES, telling)
    return None


def _take_product(
    reading: Reading,
    row: Row,
    assays: Columns,
    lots: Lots,
) -> None:
    i = _pass_of(reading, row)
    if i is None:
        return
    products: list[Any] = reading.document["passes"][i].setdefault("products", [])
    where: Where = ("passes", i, "products", len(products))
    entry = _lot(reading, row, assays, where)
    products.append(entry)
    lots.setdefault(row.text("tray"), (entry, where))


def _take_feed(reading: Reading, row: Row, assays: Columns) -> None:
    i = _pass_of(reading, row)
    if i is None:
        return
    if "feed" in reading.document["passes"][i]:
        telling = Telling("repeated-row", "The pass has its feed already.", "Keep one row.")
        reading.slip(row.place("what"), ("passes", i, "feed"), telling)
        return
    where: Where = ("passes", i, "feed")
    reading.document["passes"][i]["feed"] = _lot(reading, row, assays, where)


def _take_kept(
    reading: Reading,
    row: Row,
    assays: Columns,
    lots: Lots,
) -> None:
    name = row.text("tray")
    if name not in lots:
        close = difflib.get_close_matches(name, list(lots), n=1, cutoff=0.6)
        hint = f"Did you mean '{close[0]}'? " if close else ""
        what = f"Kept of '{shown(name)}', which is no head and no tray here."
        mend = f"{hint}Name the head or tray whose kept part this was."
        reading.slip(row.place("tray"), _TREES, Telling("unknown-lot", what, mend))
        return
    lot, at = lots[name]
    where = (*at, "kept")
    if "kept" in lot:
        telling = Telling("repeated-row", f"'{shown(name)}' has its kept part.", "Keep one row.")
        reading.slip(row.place("what"), where, telling)
        return
    lot["kept"] = _lot(reading, row, assays, where, is_named=False)


def _lot(
    reading: Reading,
    row: Row,
    assays: Columns,
    where: Where,
    *,
    is_named: bool = True,
) -> dict[str, Any]:
    """Read weights and assays of a row."""
    entry: dict[str, Any] = {}
    left_out = set() if is_named else {"tray"}
    reading.take_row(row, [c for c in TRAYS.columns if c.heading not in left_out], entry, where)
    found: dict[str, Any] = {}
    for column, value in row.others.items():
        if column not in assays:
            continue
        name, unit = assays[column]
        inside, place = (*where, "assays", name), row.grid.place(row.number, column)
        reading.places.append((inside, place))
        try:
            result = result_of(value, decimal_comma=row.grid.decimal_comma)
        except Telling as telling:
            reading.slip(place, inside, telling)
            continue
        found[name] = result if unit == reading.units[name] else _in_unit(result, unit)
    if found:
        entry.setdefault("assays", {}).update(found)
    return entry


def _assay_columns(reading: Reading, grid: Grid, rows: Rows) -> Columns:
    """Give name and unit of each assay column; what is new joins the components."""
    found: dict[int, tuple[str, str]] = {}
    for column, heading in rows.others.items():
        place = grid.place(rows.heading_row, column)
        parsed = parsed_heading(heading)
        if (parsed is None or parsed[0] not in reading.units) and heading in reading.units:
            parsed = heading, reading.units[heading]
        if parsed is None:
            what = f"The column '{shown(heading)}' is none of this sheet, and has no unit."
            mend = "Head assays by name and unit, such as 'Sn, %' or 'ThO2, ppm'."
            reading.slip(place, (), Telling("unknown-column", what, mend))
            continue
        name, unit = parsed
        if name in [known for known, _ in found.values()]:
            what = f"'{shown(name)}' has two columns."
            reading.slip(place, (), Telling("repeated-column", what, "Keep one of the two."))
            continue
        if name not in reading.units:
            if not any(column in row.others for row in rows):
                continue
            listed: list[Any] = reading.document.setdefault("components", [])
            reading.places.append((("components", len(listed)), place))
            listed.append({"name": name, "unit": unit})
            reading.units[name] = unit
        found[column] = name, unit
    return found


def _called(i: int, entry: Mapping[str, Any]) -> set[str]:
    """Give by which words a pass can be meant: its name, or its number where it has none."""
    name = entry.get("name")
    return {plainly(str(name))} if name else {f"pass {i + 1}", str(i + 1)}


def _in_unit(result: Any, unit: str) -> Any:  # noqa: ANN401 - JSON
    """Say the unit of a result that does not say it itself."""
    if isinstance(result, list):
        return {"replicates": result, "unit": unit}
    if isinstance(result, dict):
        return (
            result if "unit" in result or result.keys() == {"result"} else {**result, "unit": unit}
        )
    return {"value": result, "unit": unit}
