"""From a JSON sheet to the rows of a filled sheet; what is read back from them means the same."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.tests.schemas import TestSheet

from .layout import (
    ASSAYS,
    FURTHER,
    PASSES,
    TABLES,
    TARES,
    TEST,
    TRAYS,
    WHATS,
    Column,
    Table,
    assay_heading,
)
from .results import cell_of

Cell = str | float | bool | None

_PRODUCT, _HEAD, _FEED, _KEPT = WHATS
_DEFAULT_UNIT = "%"
_SHORT_PARTS: tuple[dict[str, bool], ...] = ({"rest": True}, {})


@dataclass
class Sheet:
    """One sheet as it is written: its headings, the notes to them, and rows of cells."""

    table: Table
    headings: list[str]
    notes: list[str]
    rows: list[list[Cell]] = field(default_factory=list)


def normal_form(sheet: TestSheet) -> dict[str, Any]:
    """
    Give a sheet in the one form in which equal sheets are equal.

    Short ways to write are written out, nothing stands that says nothing, and a single head is
    'head'.
    """
    document: dict[str, Any] = sheet.model_dump(
        mode="json", by_alias=True, exclude_none=True, exclude_defaults=True
    )
    if "head" in document and "heads" not in document:
        document["head"].setdefault("name", "head")
    for entry in document.get("heads", []):
        entry.setdefault("name", "head")
    if len(document.get("heads", [])) == 1 and "head" not in document:
        document["head"] = document.pop("heads")[0]
    elif "head" in document and "heads" in document:
        document["heads"] = [document.pop("head"), *document["heads"]]
    for lot in _with_results(document):
        _drop_blank(lot)
    return document


def _with_results(document: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Give every object that may hold weights and assays."""
    heads = [document["head"]] if "head" in document else document.get("heads", [])
    passes = document.get("passes", [])
    products = [product for entry in passes for product in entry.get("products", [])]
    for lot in (*heads, *products):
        yield lot
        if "kept" in lot:
            yield lot["kept"]
    yield from (entry["feed"] for entry in passes if "feed" in entry)


def _drop_blank(lot: dict[str, Any]) -> None:
    """Take out results that are null: not measured, as if they were not there."""
    if "assays" in lot:
        lot["assays"] = {name: result for name, result in lot["assays"].items() if result}
    for member in ("assays", "net"):
        if member in lot and not lot[member]:
            del lot[member]


def sheets_of(sheet: TestSheet) -> list[Sheet]:
    """Give the sheets that stand for a test, in their order."""
    document = copy.deepcopy(normal_form(sheet))
    columns = _assay_columns(document)
    assays = _assays(document)  # before what is left of the errors is told
    return [
        _test(document),
        assays,
        _rows(TARES, [_in_columns(TARES, tare) for tare in document.get("tares", [])]),
        _passes(document),
        _trays(document, columns),
    ]


def blank_sheets() -> list[Sheet]:
    """Give the sheets with nothing filled in."""
    return [_test({}), *(_rows(table, []) for table in TABLES[1:])]


# --- one sheet each -----------------------------------------------------------------------------


def _rows(table: Table, rows: Sequence[Sequence[Cell]]) -> Sheet:
    columns = table.columns
    return Sheet(
        table, [c.heading for c in columns], [c.note for c in columns], list(map(list, rows))
    )


def _test(document: dict[str, Any]) -> Sheet:
    found = Sheet(TEST, ["what", "entry", "meaning"], ["", "", ""])
    found.rows = [
        [column.heading, _cell(column, _taken(document, column.path)), column.note]
        for column in TEST.columns
    ]
    return found


def _assays(document: dict[str, Any]) -> Sheet:
    errors = _taken(document, ("errors", "assays")) or {}
    rows = []
    for kind in ("component", "analyte"):
        for entry in document.get(f"{kind}s", []):
            entry.setdefault("unit", _DEFAULT_UNIT)
            whole = {**entry, "errors": errors.pop(entry["name"], {})}
            rows.append(_in_columns(ASSAYS, whole, {"is": kind}))
    # Errors of what stands in no list: a slip of the sheet, which its reader will be told of.
    rows += [_in_columns(ASSAYS, {"name": name, "errors": e}) for name, e in errors.items()]
    return _rows(ASSAYS, rows)


def _passes(document: dict[str, Any]) -> Sheet:
    rows = []
    for entry in document.get("passes", []):
        fed, parts = _fed(entry.get("fed", []))
        whole = {k: v for k, v in entry.items() if k not in {"fed", "products", "feed"}}
        rows.append(_in_columns(PASSES, whole, {"fed": fed, "part fed": parts}))
    return _rows(PASSES, rows)


def _fed(fed: list[dict[str, Any]]) -> tuple[Cell, Cell]:
    """Give what was fed by its names, and the parts; as JSON where that does not say it all."""
    names, parts = [part["of"] for part in fed], [_part(part) for part in fed]
    is_plain = all(
        part is not None
        and name == name.strip()
        and ";" not in name
        and not name.startswith(("{", "["))
        for name, part in zip(names, parts, strict=True)
    )
    if not is_plain:
        return _dumped([p["of"] if p.get("whole") else p for p in fed]), None
    told = [part or "" for part in parts]
    return "; ".join(names), "; ".join(told) if any(told) else None


def _is_plain_name(name: str) -> bool:
    """Say whether a name can stand among others, and cannot be taken for JSON."""
    return name == name.strip() and ";" not in name and not name.startswith(("{", "["))


def _part(part: Mapping[str, Any]) -> str | None:
    """Give the part that was fed in a word, empty for the whole; None where no word will do."""
    rest = {k: v for k, v in part.items() if k not in {"of", "whole"}}
    if part.get("whole"):
        return None if rest else ""
    if rest in _SHORT_PARTS:
        return "rest" if rest else "part"
    net = rest.get("net")
    if rest.keys() == {"net"} and net is not None and net.keys() <= {"value", "sd"}:
        cell = str(cell_of(_plain(net)))
        return None if cell.startswith("{") else cell
    return None


def _assay_columns(document: dict[str, Any]) -> dict[str, str]:
    """Give the units of the columns of assays by name; other assays stand in the last column."""
    return {
        entry["name"]: entry.get("unit", _DEFAULT_UNIT)
        for kind in ("components", "analytes")
        for entry in document.get(kind, [])
    }


def _trays(document: dict[str, Any], columns: dict[str, str]) -> Sheet:
    table = TRAYS
    at = next(i for i, c in enumerate(table.columns) if c.heading == FURTHER)
    headings = [c.heading for c in table.columns]
    notes = [c.note for c in table.columns]
    headings[at:at] = [assay_heading(name, unit) for name, unit in columns.items()]
    notes[at:at] = [""] * len(columns)
    found = Sheet(table, headings, notes)
    for made_by, what, lot in _lots(document):
        assays = lot.pop("assays", {})
        cells: list[Cell] = [
            None if name not in assays else cell_of(_plain(assays.pop(name))) for name in columns
        ]
        if assays:
            lot["assays"] = assays
        row = _in_columns(table, lot, {"pass": made_by, "what": what})
        found.rows.append([*row[:at], *cells, *row[at:]])
    return found


def _lots(document: dict[str, Any]) -> Iterator[tuple[str | None, str | None, dict[str, Any]]]:
    """Give each row of trays: its pass, what it is, and what is told of it."""
    heads = [document["head"]] if "head" in document else document.get("heads", [])
    for head in heads:
        yield from _with_kept(None, _HEAD, head)
    for i, entry in enumerate(document.get("passes", [])):
        name = entry.get("name") or f"pass {i + 1}"
        if entry.get("feed"):
            yield name, _FEED, entry["feed"]
        for product in entry.get("products", []):
            yield from _with_kept(name, None, product)


def _with_kept(
    made_by: str | None, what: str | None, lot: dict[str, Any]
) -> Iterator[tuple[str | None, str | None, dict[str, Any]]]:
    """Give the row of a lot, and that of what was kept of it."""
    name, kept = lot["name"], lot.pop("kept", None)
    yield made_by, what, lot
    if kept is not None:
        yield None, _KEPT, {"name": name, **kept}


# --- cells --------------------------------------------------------------------------------------


def _in_columns(
    table: Table, entry: dict[str, Any], told: Mapping[str, Cell] | None = None
) -> list[Cell]:
    """Give the cells of a row; what has no column goes into the last of them."""
    cells: dict[str, Cell] = dict(told or {})
    plain = [c for c in table.columns if c.heading not in cells and not _merges(c)]
    for column in plain:
        if column.path:
            cells[column.heading] = _cell(column, _taken(entry, column.path))
    for column in (c for c in reversed(table.columns) if _merges(c)):
        rest = _taken(entry, column.path) if column.path else entry
        cells[column.heading] = _dumped(rest) if rest else None
    return [cells.get(column.heading) for column in table.columns]


def _merges(column: Column) -> bool:
    return column.heading.startswith(FURTHER)


def _taken(entry: dict[str, Any], path: Sequence[str]) -> Any:  # noqa: ANN401 - JSON
    """Take a member out of an object, and the objects around it that are empty then."""
    around = [entry]
    for member in path[:-1]:
        inner = around[-1].get(member)
        if not isinstance(inner, dict):
            return None
        around.append(inner)
    found = around[-1].pop(path[-1], None)
    for outer, member in zip(reversed(around[:-1]), reversed(path[:-1]), strict=True):
        if not outer[member]:
            del outer[member]
    return found


def _cell(column: Column, value: Any) -> Cell:  # noqa: ANN401 - JSON
    if value is None or column.kind in {"text", "number"}:
        return value  # type: ignore[no-any-return]
    if column.kind == "yes or no":
        return "yes" if value else "no"
    if column.kind == "setting":
        return (
            value["value"] if value["unit"] == column.unit else f"{value['value']} {value['unit']}"
        )
    if column.kind == "json":
        return _dumped(value)
    if column.kind == "tare" and value.keys() == {"shared"}:
        return _shared(value)
    return cell_of(_plain(value))


def _shared(value: Mapping[str, Any]) -> str:
    """Name a tare, as long as the name cannot be taken for a weight."""
    name = str(value["shared"])
    return name if name[:1].isalpha() else _dumped(value)


def _plain(result: Any) -> Any:  # noqa: ANN401 - JSON
    """Give a result in its shortest form."""
    if isinstance(result, dict):
        if result.keys() == {"value"}:
            return result["value"]
        if result.keys() == {"replicates"}:
            return result["replicates"]
    return result


def _dumped(value: Any) -> str:  # noqa: ANN401 - JSON
    return json.dumps(value, ensure_ascii=False)
