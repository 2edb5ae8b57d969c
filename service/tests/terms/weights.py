"""Weights as readings: net as it stands, or gross less tare with the errors of both."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from reconcile.errors import Stage, rounding_floor
from reconcile.faults import Where
from reconcile.readings import combined_sd
from service.balances.schemas.words import MASS
from service.balances.terms.ledger import Ledger
from service.kit.fields import LARGEST_NUMBER
from service.tests.schemas import (
    LotObject,
    TareEntryObject,
    TareObject,
    TestSheet,
    WeighingErrorObject,
    WeighingObject,
)


@dataclass(frozen=True)
class Source:
    """
    Where a reading stands on the sheet.

    ``label`` names the lot, and ``what`` was measured of it; ``members`` are the places of what was
    not written beside the result itself.
    """

    where: Where
    label: str
    what: str
    members: Mapping[str, Where] = field(default_factory=dict)


@dataclass(frozen=True)
class Made:
    """A reading for the balance, with where it stands on the sheet."""

    reading: dict[str, Any]
    source: Source


def _combined(weighing: WeighingObject | TareEntryObject, errors: WeighingErrorObject) -> float:
    """Give the sd of one weighing: its own, or that of all; no less than rounding allows."""
    stated = weighing if weighing.sd is not None or weighing.relative_sd is not None else errors
    sd = combined_sd(weighing.value or 0.0, stated.sd, stated.relative_sd)
    floor = 0.0 if errors.step is None else rounding_floor(errors.step, Stage.WEIGHING).sd
    return max(sd, floor)


def _is_stated(weighing: WeighingObject | TareEntryObject, errors: WeighingErrorObject) -> bool:
    own = weighing.sd is not None or weighing.relative_sd is not None
    return own or any(x is not None for x in (errors.sd, errors.relative_sd, errors.step))


def tare_cause(tare: TareObject) -> str:
    """Name the error that trays share whose tare was weighed once."""
    return f"tare of {tare.name}"


class Weights:
    """Makes readings of weights, and takes note of what is wrong with them."""

    def __init__(self, sheet: TestSheet, model: str | None, ledger: Ledger) -> None:
        self.errors = sheet.errors.weighing
        self.tares = {tare.name: tare for tare in sheet.tares}
        self.unit = sheet.mass_unit
        self.model = model
        self.ledger = ledger

    def reading(self, lot: LotObject, stream: str, where: Where, label: str) -> Made | None:
        """Give the weight of a lot as a reading of its stream; none where it was not weighed."""
        if self.ledger.note_if(
            lot.net is not None and lot.gross is not None,
            (*where, "gross"),
            "net-and-gross",
            f"{label}: both a net and a gross weight are given.",
            "Give one of the two; two weighings are 'net' with a list.",
        ):
            return None
        self.ledger.note_if(
            lot.tare is not None and lot.gross is None,
            (*where, "tare"),
            "tare-without-gross",
            f"{label}: there is a tare without a gross weight.",
            "Give 'gross', or leave the tare out where 'net' is net already.",
        )
        if lot.gross is not None:
            return self._gross(lot.gross, lot.tare, stream, where, label)
        return None if lot.net is None else self._net(lot, stream, where, label)

    def _net(self, lot: LotObject, stream: str, where: Where, label: str) -> Made | None:
        result = lot.net
        assert result is not None  # noqa: S101 - the caller saw to it
        place = (*where, "net")
        if result.value is not None and self.ledger.note_if(
            result.value < 0,
            place,
            "negative-weight",
            f"{label}: the net weight is negative ({result.value:.6g} {self.unit}).",
            "Check the tare; a tray with nothing in it weighs 0.",
        ):
            return None
        if result.value is None and result.model_fields_set <= {"value"}:
            return None
        given = result.model_dump(by_alias=True, exclude_unset=True)
        members: dict[str, Where] = {}
        if not own_error(given):
            if self.model is not None:
                given["error_model"] = self.model
                members["error_model"] = ("errors", "weighing")
            if self.errors.step is not None:
                given.setdefault("step", self.errors.step)
                members["step"] = ("errors", "weighing", "step")
        self._share(given)
        return Made(
            {"stream": stream, "of": MASS, **given}, Source(place, label, "weight", members)
        )

    def _share(self, given: dict[str, Any]) -> None:
        """Let a weighing have the errors that all of them share, unless it names its own."""
        if "causes" not in given and self.errors.causes:
            given["causes"] = [c.model_dump(exclude_unset=True) for c in self.errors.causes]

    def _gross(
        self,
        gross: WeighingObject,
        tare: TareEntryObject | None,
        stream: str,
        where: Where,
        label: str,
    ) -> Made | None:
        place = (*where, "gross")
        if tare is None:
            self.ledger.note(
                place,
                "gross-without-tare",
                f"{label}: there is a gross weight without a tare.",
                "Add 'tare', what the empty tray weighs; or call the weight 'net' if it is.",
            )
            return None
        empty = self._tare(tare, (*where, "tare"), label)
        if empty is None or self._is_impossible(gross, empty[0], place, label):
            return None
        weighed, sd, causes = empty
        if self.ledger.note_if(
            not (_is_stated(gross, self.errors) and _is_stated(weighed, self.errors)),
            place,
            "reading-without-sd",
            f"{label}: nothing says how well it was weighed.",
            "State it once under 'errors.weighing', for example {\"sd\": 0.5}.",
        ):
            return None
        assert weighed.value is not None  # noqa: S101 - judged with the tare
        net = Decimal(repr(gross.value)) - Decimal(repr(weighed.value))
        given: dict[str, Any] = {
            "value": float(net),
            "sd": min(math.hypot(_combined(gross, self.errors), sd), LARGEST_NUMBER),
        }
        self._share(given)
        if causes:
            given["causes"] = [*given.get("causes", []), *causes]
        reading = {"stream": stream, "of": MASS, **given}
        members = {"value": place, "sd": place, "causes": place}
        return Made(reading, Source(place, label, "weight", members))

    def _tare(
        self, tare: TareEntryObject, where: Where, label: str
    ) -> tuple[WeighingObject | TareEntryObject, float, list[dict[str, Any]]] | None:
        """Give the weighing of a tare, its own error, and that which it shares."""
        if self.ledger.note_if(
            (tare.value is None) == (tare.shared is None),
            where,
            "unclear-tare",
            f"{label}: the tare is either a weight or the name of one of 'tares'.",
            "Give one of the two.",
        ):
            return None
        if tare.shared is None:
            return tare, _combined(tare, self.errors), []
        if not self.ledger.known(where, "tare", tare.shared, self.tares):
            return None
        known = self.tares[tare.shared]
        sd = _combined(known.weighed, self.errors)
        cause = {"cause": tare_cause(known), "sd": min(sd, LARGEST_NUMBER), "stage": "weighing"}
        return known.weighed, known.spread, [cause] if sd else []

    def _is_impossible(
        self,
        gross: WeighingObject,
        tare: WeighingObject | TareEntryObject,
        where: Where,
        label: str,
    ) -> bool:
        empty = tare.value or 0.0
        return self.ledger.note_if(
            gross.value < empty,
            where,
            "gross-below-tare",
            f"{label}: gross {gross.value:g} {self.unit} is below tare {empty:g} {self.unit}.",
            "Check both; a tray with nothing in it has a gross weight like its tare.",
        )


ERROR_MEMBERS = frozenset({"sd", "relative_sd", "error_model", "sampling", "interlaboratory"})
"""By any of these a result says how well it was measured."""


def own_error(given: Mapping[str, Any]) -> bool:
    """Say whether a result states its error itself."""
    return not ERROR_MEMBERS.isdisjoint(given)
