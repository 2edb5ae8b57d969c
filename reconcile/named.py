"""Names for what is worked out by position: made once for a flowsheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Generic, TypeVar

from .flowsheet import SOLIDS, WATER, Part, Quantity
from .later import Table

if TYPE_CHECKING:
    from .balance import Known
    from .model import Model

Name = TypeVar("Name")


@dataclass(frozen=True)
class Named(Generic[Name]):
    """``names`` for some positions of a list."""

    names: tuple[Name, ...]
    positions: tuple[int, ...]

    def of(self, found: Sequence[Known]) -> dict[Name, Known]:
        """Give what stands at the positions by name."""
        if len(self.positions) < 2:  # noqa: PLR2004 - what picks several gives no sequence of one
            return {name: found[at] for name, at in zip(self.names, self.positions, strict=True)}
        return dict(zip(self.names, itemgetter(*self.positions)(found), strict=True))

    def table(self, found: Sequence[Known]) -> Table[Name, Known]:
        """Give the same, made when something is looked up."""
        return Table(lambda: self.of(found))


@dataclass(frozen=True)
class Names:
    """
    The tables of a balance.

    ``masses``, ``components`` and ``further`` amounts, of (streams · Q) amounts; ``yields`` and
    ``recoveries``, of as many shares of the feed; ``assays``, of (streams · components); ``splits``
    of what is conserved, of (inner streams · Q).
    """

    masses: Named[str]
    components: Named[tuple[str, str]]
    further: Named[tuple[str, Quantity]]
    yields: Named[str]
    recoveries: Named[tuple[str, Quantity]]
    assays: Named[tuple[str, str]]
    splits: Named[tuple[str, Quantity]]


def names_of(model: Model) -> Names:
    """Give the names of all that is said of every balance of a model."""
    sheet, kinds = model.flowsheet, model.kinds
    streams = [s.name for s in sheet.streams]
    grid = [(s, q) for s in streams for q in sheet.quantities]
    whole = Named(tuple(streams), tuple(range(0, model.amounts, kinds)))
    components = range(1, 1 + len(sheet.components))
    assays = tuple((s, c) for s in streams for c in sheet.components)
    parts = [s * kinds + k for s in range(len(streams)) for k in components]
    further = [k for k, (_, q) in enumerate(grid) if q == WATER or isinstance(q, Part)]
    shares = [k for k, (_, q) in enumerate(grid) if q != SOLIDS]
    inner = [(s, q) for s in sheet.streams if s.source is not None for q in sheet.quantities]
    kept = [k for k, (s, q) in enumerate(inner) if sheet.conserves(s.source or "", q)]
    return Names(
        whole,
        Named(assays, tuple(parts)),
        Named(tuple(grid[k] for k in further), tuple(further)),
        whole,
        Named(tuple(grid[k] for k in shares), tuple(shares)),
        Named(assays, tuple(range(len(assays)))),
        Named(tuple((inner[k][0].name, inner[k][1]) for k in kept), tuple(kept)),
    )
