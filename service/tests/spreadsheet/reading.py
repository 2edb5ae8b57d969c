"""A JSON sheet while it is put together from cells, and the cell of each of its members."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from reconcile.faults import Where

from .entries import entry_of
from .filled import Filled, placed
from .grid import Grid, Place, Slip, Value
from .layout import FURTHER, Column, plainly
from .results import Telling
from .rows import Row


class Reading:
    """A JSON sheet while it is put together."""

    def __init__(self) -> None:
        self.document: dict[str, Any] = {}
        self.places: list[tuple[Where, Place]] = []
        self.slips: list[Slip] = []
        self.units: dict[str, str] = {}

    def filled(self) -> Filled:
        """Give what was read."""
        return Filled(self.document, placed(self.places), self.slips)

    def slip(self, place: Place, where: Where, telling: Telling) -> None:
        """Take note of a cell that cannot be read."""
        self.slips.append(Slip(place, where, telling.code, telling.what, telling.mend))

    # --- cells ----------------------------------------------------------------------------------

    def put(
        self,
        into: dict[str, Any],
        where: Where,
        column: Column,
        value: Value,
        grid: Grid,
        place: Place,
    ) -> None:
        """Read a cell into the object that its row stands for."""
        inside = (*where, *column.path)
        self.places.append((inside, place))
        try:
            found = entry_of(column, value, decimal_comma=grid.decimal_comma)
            if column.heading.startswith(FURTHER):
                self._merge(into, column, found)
                return
        except Telling as telling:
            self.slip(place, inside, telling)
            return
        inner(into, column.path[:-1])[column.path[-1]] = found

    def _merge(self, into: dict[str, Any], column: Column, found: Any) -> None:  # noqa: ANN401
        if not isinstance(found, dict):
            mend = f"Write an object in braces. {column.note}"
            raise Telling("not-an-object", "The cell holds no JSON object.", mend)
        held = inner(into, column.path)
        twice = held.keys() & found.keys()
        if twice:
            what = f"'{min(twice)}' has a column of its own, and is given there too."
            raise Telling("given-twice", what, "Give it once.")
        held.update(found)

    def take_row(
        self, row: Row, columns: Iterable[Column], into: dict[str, Any], where: Where
    ) -> None:
        """Read the cells of a row that stand for members; what merges comes last."""
        self.places.append((where, row.place()))
        ordered = sorted(columns, key=lambda c: c.heading.startswith(FURTHER))
        for column in ordered:
            if plainly(column.heading) in row.cells and (column.path or column.kind == "json"):
                _, value = row.cells[plainly(column.heading)]
                self.put(into, where, column, value, row.grid, row.place(column.heading))


def inner(whole: dict[str, Any], path: Iterable[str]) -> dict[str, Any]:
    """Give the object at the end of a path, made on the way where it is not there."""
    for member in path:
        whole = whole.setdefault(member, {})
    return whole
