"""Assays as readings, with the errors that hold where a result says nothing else."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import Any

from reconcile.faults import Where
from service.balances.terms.ledger import Ledger, listed
from service.tests.schemas import LotObject, SizedLotObject, TestSheet

from .weights import Made, Source, own_error


class Assays:
    """Makes readings of assays, and takes note of what is wrong with them."""

    def __init__(self, sheet: TestSheet, models: dict[str, str], ledger: Ledger) -> None:
        self.errors = sheet.errors.assays
        self.share_error = sheet.errors.shares
        components = [component.name for component in sheet.components]
        self.known = dict.fromkeys([*components, *(analyte.name for analyte in sheet.analytes)])
        self.models = models
        self.ledger = ledger

    def note_strangers(self) -> None:
        """Take note of errors of what is not followed."""
        for name in self.errors:
            self._is_known(name, ("errors", "assays", name), "An error is stated for")

    def _is_known(self, name: str, where: Where, lead: str) -> bool:
        if name in self.known:
            return True
        close = difflib.get_close_matches(name, self.known, n=1, cutoff=0.5)
        hint = f"Did you mean '{close[0]}'? " if close else ""
        self.ledger.note(
            where,
            "unknown-component",
            f"{lead} '{name}', which is none of the sheet's components and analytes.",
            f"{hint}Known: {listed(self.known)}.",
        )
        return False

    def readings(self, lot: LotObject, stream: str, where: Where, label: str) -> Iterator[Made]:
        """Give the assays of a lot as readings of its stream; null ones are left away."""
        for name, result in lot.assays.items():
            place = (*where, "assays", name)
            given = result.model_dump(by_alias=True, exclude_unset=True)
            if not self._is_known(name, place, f"{label} was assayed for"):
                continue
            if given.get("value", 0) is None and len(given) == 1:
                continue
            members = self._complete(given, name)
            reading = {"stream": stream, "of": name, **given}
            yield Made(reading, Source(place, label, name, members))

    def by_size(self, lot: SizedLotObject, stream: str, where: Where, label: str) -> Iterator[Made]:
        """Give a screen analysis and grain counts as readings of a stream."""
        for k, wire in enumerate(lot.by_size):
            place = (*where, "by_size", k)
            size = wire.size.model_dump(by_alias=True, exclude_unset=True)
            what: dict[str, Where] = {"of": place}
            if wire.share is not None:
                given = wire.share.model_dump(by_alias=True, exclude_unset=True)
                more = self._shares(given)
                at = Source((*place, "share"), label, "share of a size", what | more)
                yield Made({"stream": stream, "of": {"size": size}, **given}, at)
            for name, result in wire.assays.items():
                inner = (*place, "assays", name)
                given = result.model_dump(by_alias=True, exclude_unset=True)
                if not self._is_known(name, inner, f"{label} was assayed by size for"):
                    continue
                more = self._complete(given, name)
                of = {"quantity": name, "size": size}
                yield Made(
                    {"stream": stream, "of": of, **given},
                    Source(inner, label, f"{name} of a size", what | more),
                )
        if lot.counts is not None:
            counts = lot.counts.model_dump(by_alias=True, exclude_unset=True)
            at = Source((*where, "counts"), label, "count", {"counts": (*where, "counts")})
            yield Made({"stream": stream, "counts": counts}, at)

    def _shares(self, given: dict[str, Any]) -> dict[str, Where]:
        if self.share_error is None or own_error(given):
            return {}
        stated = self.share_error.model_dump(by_alias=True, exclude_unset=True)
        more = {k: v for k, v in stated.items() if k not in given}
        given |= more
        return {k: ("errors", "shares", k) for k in more}

    def _complete(self, given: dict[str, Any], name: str) -> dict[str, Where]:
        """Add what holds for all assays of a name, and say where each of it is written."""
        stated = self.errors.get(name)
        if stated is None:
            return {}
        root = ("errors", "assays", name)
        defaults = stated.model_dump(by_alias=True, exclude_unset=True)
        if name in self.models:
            defaults = {k: v for k, v in defaults.items() if k not in ("sd", "relative_sd")}
            defaults["error_model"] = self.models[name]
        if own_error(given):
            defaults = {k: v for k, v in defaults.items() if k == "causes"}
        more = {k: v for k, v in defaults.items() if k not in given}
        given |= more
        return {k: root if k == "error_model" and name in self.models else (*root, k) for k in more}
