"""From the cells of a filled sheet to the JSON sheet, with everything wrong on the way."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Any

from reconcile.faults import Where

from .fed import take_passes
from .filled import Filled
from .grid import Grid, Place, Slip
from .layout import ASSAYS, NEEDED, PASSES, TABLES, TARES, TEST, TRAYS, Column, Table, plainly
from .reading import Reading, inner
from .results import Telling, shown
from .rows import Row, Rows, rows_of
from .trays import take_trays

_DEFAULT_UNIT = "%"
_AS_ROWS = Table(
    TEST.name,
    TEST.what,
    (Column("what", (), ""), Column("entry", (), ""), Column("meaning", (), "")),
    ("what", "entry"),
)
"""The sheet of entries as it is read: one line an entry."""


def document_of(grids: Mapping[str, Grid], slips: Iterable[Slip] = ()) -> Filled:
    """Give the JSON sheet that the cells of a filled sheet stand for."""
    reading = Reading()
    reading.slips += slips
    missing = [name for name in NEEDED if name not in grids]
    if missing:
        known = ", ".join(f"'{table.name}'" for table in TABLES)
        what = f"There is no sheet '{missing[0]}': this is not a test sheet, or a part of one."
        mend = f"A test sheet has the sheets {known}; fill in the blank one."
        reading.slips.append(Slip(Place(missing[0]), (), "missing-sheet", what, mend))
        return reading.filled()
    if TEST.name in grids:
        take_test(reading, grids[TEST.name])
    if ASSAYS.name in grids:
        take_assays(reading, rows_of(grids[ASSAYS.name], ASSAYS))
    if TARES.name in grids:
        take_tares(reading, rows_of(grids[TARES.name], TARES))
    take_passes(reading, rows_of(grids[PASSES.name], PASSES))
    trays = rows_of(grids[TRAYS.name], TRAYS, takes_others=True)
    take_trays(reading, grids[TRAYS.name], trays)
    return reading.filled()


def take_test(reading: Reading, grid: Grid) -> None:
    """Read the sheet of entries, one a line."""
    found = rows_of(grid, _AS_ROWS)
    reading.slips += found.slips
    seen: set[str] = set()
    for row in found:
        label = row.text("what")
        column = TEST.column(label)
        if "entry" not in row.cells:
            continue
        if plainly(label) in seen:
            telling = Telling("repeated-entry", f"'{shown(label)}' stands twice.", "Keep one.")
            reading.slip(row.place("what"), (), telling)
        seen.add(plainly(label))
        if column is None:
            known = [c.heading for c in TEST.columns]
            close = difflib.get_close_matches(label, known, n=1, cutoff=0.6)
            hint = f"Did you mean '{close[0]}'? " if close else ""
            what = f"There is no entry '{shown(label)}' here."
            telling = Telling("unknown-entry", what, f"{hint}Known: {', '.join(known)}.")
            reading.slip(row.place("what"), (), telling)
            continue
        _, value = row.cells["entry"]
        reading.put(reading.document, (), column, value, grid, row.place("entry"))


def take_assays(reading: Reading, rows: Rows) -> None:
    """Read what is assayed, and how well."""
    reading.slips += rows.slips
    errors: dict[str, Any] = {}
    for row in rows:
        name = row.text("name")
        if not name:
            telling = Telling("no-name", "The row has no name.", "Name what is assayed.")
            reading.slip(row.place(), ("components",), telling)
            continue
        kind = row.text("is").casefold() or "component"
        if kind not in {"component", "analyte"}:
            what = f"'{shown(kind)}' is neither component nor analyte."
            telling = Telling("unknown-word", what, "Write one of the two, or leave it blank.")
            reading.slip(row.place("is"), ("components",), telling)
            continue
        listed: list[Any] = reading.document.setdefault(f"{kind}s", [])
        where: Where = (f"{kind}s", len(listed))
        entry: dict[str, Any] = {}
        own = [c for c in ASSAYS.columns if c.path[:1] != ("errors",)]
        reading.take_row(row, own, entry, where)
        listed.append(entry)
        _take_errors(reading, row, name, errors)
        reading.units.setdefault(name, str(entry.get("unit", _DEFAULT_UNIT)))
    if errors:
        held = inner(reading.document, ("errors",))
        if "assays" in held:
            telling = Telling(
                "given-twice",
                "Errors of assays are given here and on the sheet 'Test'.",
                "Give them on this sheet alone.",
            )
            reading.slip(rows.place(), ("errors", "assays"), telling)
        held["assays"] = errors


def _take_errors(reading: Reading, row: Row, name: str, errors: dict[str, Any]) -> None:
    entry: dict[str, Any] = {}
    where: Where = ("errors", "assays", name)
    for column in (c for c in ASSAYS.columns if c.path[:1] == ("errors",)):
        if plainly(column.heading) in row.cells:
            _, value = row.cells[plainly(column.heading)]
            within = Column(column.heading, column.path[1:], column.note, column.kind)
            reading.put(entry, where, within, value, row.grid, row.place(column.heading))
    if entry:
        errors.setdefault(name, entry)


def take_tares(reading: Reading, rows: Rows) -> None:
    """Read the tares that were weighed once."""
    reading.slips += rows.slips
    for row in rows:
        listed: list[Any] = reading.document.setdefault("tares", [])
        entry: dict[str, Any] = {}
        reading.take_row(row, TARES.columns, entry, ("tares", len(listed)))
        listed.append(entry)
