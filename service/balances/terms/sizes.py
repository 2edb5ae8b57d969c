"""Size classes: the intervals between the apertures of a series, coarse to fine."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from reconcile.faults import Where
from service.balances.schemas import Size, SizesObject

from .ledger import Ledger, listed


@dataclass(frozen=True)
class Ladder:
    """Apertures from coarse to fine in ``unit``, and the names of the classes between them."""

    unit: str
    apertures: tuple[float, ...]

    @property
    def classes(self) -> tuple[str, ...]:
        """Names of the classes: '+500 um', '-500 +250 um', '-250 um'."""
        shown = [f"{aperture:g}" for aperture in self.apertures]
        between = (f"-{a} +{b}" for a, b in itertools.pairwise(shown))
        names = (f"+{shown[0]}", *between, f"-{shown[-1]}")
        return tuple(f"{name} {self.unit}" for name in names)

    def passing(self, k: int) -> tuple[str, ...]:
        """Give the classes that pass the aperture of this position."""
        return self.classes[k + 1 :]

    def selected(self, size: Size, where: Where, ledger: Ledger) -> tuple[str, ...]:
        """Give the classes that a size covers; none, with a fault, if it is not of the series."""
        bounds = {
            "passing": size.passing,
            "retained": size.retained,
            "from": size.from_,
            "to": size.to,
        }
        given = {name: bound for name, bound in bounds.items() if bound is not None}
        if ledger.note_if(
            set(given) not in ({"passing"}, {"retained"}, {"from", "to"}),
            where,
            "unclear-size",
            "The size is not one of the three forms.",
            "Give 'passing', or 'retained', or 'from' and 'to' together.",
        ):
            return ()
        for name, bound in given.items():
            if ledger.note_if(
                bound not in self.apertures,
                (*where, name),
                "unknown-aperture",
                f"{bound:g} {self.unit} is not an aperture of the series.",
                f"Use one of: {listed(f'{a:g}' for a in self.apertures)}.",
            ):
                return ()
        return self._between(given, where, ledger)

    def _between(self, given: dict[str, float], where: Where, ledger: Ledger) -> tuple[str, ...]:
        upper = given.get("passing", given.get("to"))
        lower = given.get("retained", given.get("from"))
        start = 0 if upper is None else self.apertures.index(upper) + 1
        end = len(self.classes) if lower is None else self.apertures.index(lower) + 1
        ledger.note_if(
            start >= end,
            where,
            "empty-size",
            "Nothing lies between these apertures.",
            "'from' is the finer and 'to' the coarser aperture.",
        )
        return self.classes[start:end]


def ladder_of(sizes: SizesObject | None, ledger: Ledger) -> Ladder | None:
    """Give the size classes of a flowsheet, or none where there are none or they are faulty."""
    if sizes is None:
        return None
    where = ("flowsheet", "sizes", "apertures")
    apertures = tuple(sorted(set(sizes.apertures), reverse=True))
    wrong = ledger.note_if(
        not apertures,
        where,
        "no-apertures",
        "There are no apertures, so there are no size classes.",
        "List at least one aperture, or leave 'sizes' out.",
    ) or ledger.note_if(
        len(apertures) < len(sizes.apertures),
        where,
        "duplicate-aperture",
        "An aperture stands twice in the series.",
        "List every aperture once.",
    )
    return None if wrong else Ladder(sizes.unit, apertures)


def in_words(size: Size, unit: str) -> str:
    """Say which sizes are meant."""
    if size.passing is not None:
        return f"-{size.passing:g} {unit}"
    if size.retained is not None:
        return f"+{size.retained:g} {unit}"
    return f"-{size.to:g} +{size.from_:g} {unit}"
