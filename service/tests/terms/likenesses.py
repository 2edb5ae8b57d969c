"""What has the grades of what it came from: parts of a lot, and losses."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from reconcile.errors import UnusableErrorInput, sampling_relative_sd
from reconcile.faults import Where
from reconcile.metallurgy.passes import LaboratoryTest, Network, Parting, partings_of
from service.balances.schemas.words import MASS
from service.balances.terms.errors import material_of
from service.balances.terms.ledger import Ledger
from service.kit.units import convert
from service.tests.schemas import ApartObject, SplittingErrorObject, TestSheet

from .outline import on_sheet
from .weights import Made


@dataclass(frozen=True)
class Alike:
    """A likeness for the balance, with the places of its streams on the sheet."""

    wire: dict[str, Any]
    places: tuple[Where, ...]


class Likenesses:
    """Makes likenesses, and takes note of what is wrong with them."""

    def __init__(
        self,
        sheet: TestSheet,
        test: LaboratoryTest,
        network: Network,
        made: list[Made],
        ledger: Ledger,
    ) -> None:
        self.sheet, self.test, self.network, self.ledger = sheet, test, network, ledger
        self.weights = {
            str(one.reading["stream"]): float(value)
            for one in made
            if one.reading.get("of") == MASS
            and isinstance(value := one.reading.get("value"), int | float)
            and value > 0
        }
        named = (one.reading.get("of") for one in made)
        self.assayed = {of for of in named if isinstance(of, str)} - {MASS}

    def all(self) -> Iterator[Alike]:
        """Give every likeness of the sheet."""
        for parting in partings_of(self.test, self.network):
            yield from self._of_parting(parting)
        for i, run in enumerate(self.sheet.passes):
            for j, product in enumerate(run.products):
                if product.loss is not None and product.loss.like_feed is not None:
                    # Each side has a half of the variance of the difference.
                    wire: dict[str, Any] = {
                        "streams": [product.name, {"stream": [*self.network.streams_into(i)]}],
                        "relative_sd": product.loss.like_feed / math.sqrt(2),
                    }
                    place: Where = ("passes", i, "products", j, "loss")
                    yield Alike(wire, ((*place, "like_feed"), ("passes", i, "fed")))

    def _of_parting(self, parting: Parting) -> Iterator[Alike]:
        stated = self.sheet.errors.splitting
        places = tuple(
            on_sheet(self.sheet, self.network.flow(part).place) for part in parting.parts
        )
        whole = " + ".join(f"'{name}'" for name in parting.whole)
        if stated is None:
            self.ledger.note(
                places[0],
                "parted-without-error",
                f"Parts of {whole} went different ways, and nothing says how alike they are.",
                'State it under \'errors\', for example "splitting": {"relative_sd": 0.01}; the '
                "parts of a riffled lot are some parts in a hundred apart, worse where it is "
                "coarse or rich in few grains.",
            )
            return
        own = stated.components
        rest = sorted(self.assayed - set(own))
        general = ApartObject(relative_sd=stated.relative_sd)
        for names, apart in ((rest, general), *(([name], one) for name, one in own.items())):
            streams = [self._of_part(parting, p, apart, stated) for p in parting.parts]
            if names and all(len(one) > 1 for one in streams):
                yield Alike({"streams": streams, "components": names}, places)

    def _of_part(
        self, parting: Parting, part: str, apart: ApartObject, stated: SplittingErrorObject
    ) -> dict[str, Any]:
        """Give one part with how far it may be from the grade of the whole."""
        place = on_sheet(self.sheet, self.network.flow(part).place)
        relative = math.hypot(
            apart.relative_sd or 0.0, self._fundamental(parting, part, stated, place)
        )
        wire: dict[str, Any] = {"stream": part}
        wire |= {"relative_sd": relative} if relative else {}
        return wire | ({"sd": apart.sd} if apart.sd is not None else {})

    def _fundamental(
        self, parting: Parting, part: str, stated: SplittingErrorObject, place: Where
    ) -> float:
        """Give the fundamental sampling error of a part as a fraction of its grade."""
        if stated.grains is None:
            return 0.0
        weight = self.weights.get(part)
        lot = [self.weights.get(name) for name in parting.whole]
        known = [w for w in lot if w is not None]
        if self.ledger.note_if(
            weight is None or len(known) < len(lot),
            place,
            "sampling-without-weight",
            f"The sampling error of '{part}' depends on its weight and that of the whole, and "
            "they were not both weighed.",
            "Weigh both, or state the error as 'relative_sd' without 'grains'.",
        ):
            return 0.0
        grams = [convert(w, self.sheet.mass_unit, "g") for w in (weight or 0.0, math.fsum(known))]
        try:
            return sampling_relative_sd(material_of(stated.grains), *grams)
        except UnusableErrorInput as fault:
            self.ledger.note(
                ("errors", "splitting", "grains"),
                "unusable-error-input",
                fault.what,
                "Correct it, or state the error as 'relative_sd'.",
            )
            return 0.0
