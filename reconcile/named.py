"""Names for what is worked out by position: made once for a flowsheet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from .columns import Columns, Made, NamedColumns
from .flowsheet import SOLIDS, WATER, Part, Quantity
from .kernel.lazy import lazy

if TYPE_CHECKING:
    from .kernel.problem import Ints
    from .model import Model

Name = TypeVar("Name")


@dataclass(frozen=True)
class Named(Generic[Name]):
    """``names`` for some ``positions`` (names,) of all that follows from a balance."""

    names: tuple[Name, ...]
    positions: Ints

    def of(self, kind: type[Made], found: Callable[[], Columns]) -> NamedColumns[Name, Made]:
        """Give what stands at the positions by name, made when somebody asks for it."""
        return NamedColumns(self.names, kind, found, self.positions)


@dataclass(frozen=True)
class Names:
    """
    The tables of a balance, by positions in what is ``followed`` in it (:mod:`reconcile.asked`).

    ``yields`` and ``recoveries`` are among the (streams · Q) shares of the feed, which come first;
    ``masses``, ``components`` and ``further`` amounts among as many amounts; ``assays`` all
    (streams · components); ``splits`` of what is conserved, of (inner streams · Q).
    """

    masses: Named[str]
    components: Named[tuple[str, str]]
    further: Named[tuple[str, Quantity]]
    yields: Named[str]
    recoveries: Named[tuple[str, Quantity]]
    assays: Named[tuple[str, str]]
    splits: Named[tuple[str, Quantity]]

    @lazy
    def readable(self) -> dict[tuple[str, str], int]:
        """The position of every mass and assay, by stream and what is read of it."""
        masses = zip(self.masses.names, self.masses.positions.tolist(), strict=True)
        assays = zip(self.assays.names, self.assays.positions.tolist(), strict=True)
        return {(stream, SOLIDS): at for stream, at in masses} | dict(assays)


def names_of(model: Model) -> Names:
    """Give the names of all that is said of every balance of a model."""
    sheet, kinds = model.flowsheet, model.kinds
    streams = [s.name for s in sheet.streams]
    grid = [(s, q) for s in streams for q in sheet.quantities]
    inner = [(s, q) for s in sheet.streams if s.source is not None for q in sheet.quantities]
    components = range(1, 1 + len(sheet.components))
    assays = [(s, c) for s in streams for c in sheet.components]
    parts = [s * kinds + k for s in range(len(streams)) for k in components]
    further = [k for k, (_, q) in enumerate(grid) if q == WATER or isinstance(q, Part)]
    shares = [k for k, (_, q) in enumerate(grid) if q != SOLIDS]
    kept = [k for k, (s, q) in enumerate(inner) if sheet.conserves(s.source or "", q)]
    of_amounts, of_assays = model.amounts, 2 * model.amounts
    of_splits = of_assays + len(assays)
    whole = range(0, model.amounts, kinds)
    return Names(
        _named(streams, whole, of_amounts),
        _named(assays, parts, of_amounts),
        _named([grid[k] for k in further], further, of_amounts),
        _named(streams, whole),
        _named([grid[k] for k in shares], shares),
        _named(assays, range(len(assays)), of_assays),
        _named([(inner[k][0].name, inner[k][1]) for k in kept], kept, of_splits),
    )


def _named(names: Sequence[Name], places: Iterable[int], behind: int = 0) -> Named[Name]:
    return Named(tuple(names), np.array([behind + k for k in places], dtype=np.int64))
