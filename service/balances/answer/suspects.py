"""What may be wrong, in the words and units of the request."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import orjson

from reconcile import SOLIDS
from reconcile.findings import Exchanged, Hypothesis, HypothesisTest, Suspicion
from service.balances.terms.readings import Entry
from service.kit.blanks import Line, blank
from service.kit.figures import plus_minus, value_and_sd
from service.kit.replies import Members, Written, written_once
from service.kit.strict_json import pointer
from service.kit.units import UNITS, ratio

from .terms import PERCENT, Answering

_OWN_SD = "sd"

TEST_FIGURES = ("size", "sd", "unit", "statistic", "p_value", "adjusted")
"""Members of a test beside its suspect, in their order."""


class Suspect(NamedTuple):
    """
    A suspect as it is written: by itself, and at the beginning of a test.

    Its size is in ``unit``, of which the engine's is ``times`` over ``over``.
    """

    of: Hypothesis
    written: Written
    begun: bytes
    unit: bytes
    times: float
    over: float


_KEPT = "suspects"
"""Where those that were written are kept, by the identity of what they are of."""

_MOST_KEPT = 500
"""Suspects kept for the readings of one flowsheet; the usual reply lists a hundred or two."""

TEST = Line({name: blank(k) for k, name in enumerate(TEST_FIGURES)})
"""What a test tells beside its suspect."""

_EXCHANGED = {
    Exchanged.SAMPLES: "the bags of {} and {} (all assays)",
    Exchanged.TRAYS: "the trays of {} and {} (mass and all assays)",
}


_PLACES = {10.0**k: k for k in (1, 2, 3, -1, -2, -3)}
"""Factors of a decimal point in the wrong place, with how far it would have to move right."""

_WITHIN = 3.0
"""Standard deviations within which a value with its point moved is what was expected."""

_SURELY = 5.0
"""Standard deviations that an expected value must be from zero, for its decimal point to be
known."""


def _decimal_slip(value: float, expected: float, sd: float) -> str:
    """Say where the decimal point would have to be, if that alone explains a value."""
    if expected < _SURELY * sd:
        return ""
    for factor, places in _PLACES.items():
        if abs(value * factor - expected) <= _WITHIN * sd:
            way, count = "right" if places > 0 else "left", abs(places)
            moved = "one place" if count == 1 else f"{count} places"
            return f" With the decimal point {moved} further {way} it would fit."
    return ""


@dataclass(frozen=True)
class Naming:
    """Names suspects of one balance."""

    it: Answering

    @cached_property
    def _entries(self) -> dict[int, Entry]:
        return {i: entry for entry in self.it.intake.terms.entries for i in entry.at}

    @cached_property
    def _assayed(self) -> frozenset[str]:
        sheet = self.it.sheet.flowsheet
        return frozenset((*sheet.components, *sheet.analytes))

    @cached_property
    def _same(self) -> dict[int, Suspect]:
        same = self.it.intake.terms.same
        found: dict[int, Suspect] = same.setdefault(_KEPT, {})
        return found

    @cached_property
    def _named(self) -> dict[int, str]:
        return {}

    def reading(self, i: int) -> str:
        """Name a reading: 'Sn of 'mag 2''."""
        if i not in self._named:
            self._named[i] = self._name_of(i)
        return self._named[i]

    def _name_of(self, i: int) -> str:
        entry = self._entries.get(i)
        if entry is not None and entry.counted is None:
            return f"{entry.words} of {entry.place.words}"
        reading = self.it.intake.terms.readings[i]
        if self._is_likeness(i):
            return f"likeness in {reading.name} of {reading.where} to the others"
        return f"{reading.name} of {reading.where}" if reading.streams else reading.name

    def subject(self, i: int) -> str:
        """Name a reading at the start of a sentence: 'The Sn assay of 'mag 2''."""
        entry = self._entries.get(i)
        if entry is not None and entry.counted is None and entry.words in self._assayed:
            return f"The {entry.words} assay of {entry.place.words}"
        return f"The {self.reading(i)}"

    def node(self, name: str) -> tuple[str, str | None]:
        """Give a node's name on the wire and its period."""
        return self.it.nodes.get(name, (name, None))

    def _at_node(self, name: str) -> str:
        node, period = self.node(name)
        return f"'{node}'" if period is None else f"'{node}' in {period}"

    @cached_property
    def _placed(self) -> dict[int, str]:
        return {}

    def _place(self, i: int) -> str:
        if i not in self._placed:
            entry = self._entries.get(i)
            where = self.it.intake.terms.readings[i].where if entry is None else entry.place.words
            self._placed[i] = where
        return self._placed[i]

    def name(self, suspect: Hypothesis) -> str:
        """Give a suspect in words."""
        if suspect.suspicion is Suspicion.READING:
            return self.reading(suspect.readings[0])
        if suspect.suspicion is Suspicion.SHARED_ERROR:
            return f"the shared error '{suspect.of[0]}'"
        if suspect.suspicion is Suspicion.CONTENT:
            return f"the content of {suspect.of[1]} in {suspect.of[0]}"
        if suspect.suspicion is Suspicion.LEAK:
            return f"a leak or an addition at {self._at_node(suspect.node or '')}"
        if suspect.suspicion is Suspicion.WATER_LEAK:
            return f"water lost or added at {self._at_node(suspect.node or '')}"
        return f"an exchange of {self._exchange(suspect)}"

    def _exchange(self, suspect: Hypothesis, between: str = " with ") -> str:
        a, b = suspect.readings[:2]
        told = _EXCHANGED.get(suspect.exchanged or Exchanged.VALUES)
        if told is not None:
            return told.format(self._place(a), self._place(b))
        return f"{self.reading(a)}{between}{self.reading(b)}"

    def suspect(self, suspect: Hypothesis) -> Written:
        """Give a suspect on the wire."""
        return self.told([suspect])[0].written

    def told(self, suspects: list[Hypothesis]) -> list[Suspect]:
        """Give all that is written of some suspects."""
        # The engine gives the same objects again: to hash all of one takes longer than all else.
        same = self._same
        return [
            kept if (kept := same.get(id(one))) is not None and kept.of is one else self._new(one)
            for one in suspects
        ]

    def _new(self, suspect: Hypothesis) -> Suspect:
        """Write a suspect, and keep what is the same for readings that come again."""
        written = written_once(self._made(suspect))
        unit, times, over = self._unit_of(suspect)
        begun = TEST.begun({"suspect": written})
        found = Suspect(suspect, written, begun, orjson.dumps(unit), times, over)
        if len(self._same) >= _MOST_KEPT:
            self._same.clear()
        self._same[id(suspect)] = found
        return found

    def _made(self, suspect: Hypothesis) -> Members:
        node, period = (None, None) if suspect.node is None else self.node(suspect.node)
        origins = self.it.intake.terms.origins
        return {
            "kind": suspect.suspicion.value,
            "name": self.name(suspect),
            "readings": [pointer(origins[i]) for i in suspect.readings],
            "node": node,
            "period": period,
        }

    def test(self, test: HypothesisTest) -> Members:
        """Give the members of a test on the wire, in the unit of what is suspected."""
        unit, size, sd = self.size(test)
        return {
            "suspect": self.suspect(test.hypothesis),
            "size": size,
            "sd": sd,
            "unit": unit,
            "statistic": test.statistic,
            "p_value": test.p_value,
            "adjusted": test.adjusted,
        }

    def size(self, test: HypothesisTest) -> tuple[str | None, float | None, float | None]:
        """Give the unit, size and sd of an error."""
        if test.size is None or test.sd is None:
            return None, None, None
        unit, times, over = self._unit_of(test.hypothesis)
        return unit, test.size * times / over, test.sd * abs(times) / over

    def _unit_of(self, suspect: Hypothesis) -> tuple[str | None, float, float]:
        """Give the unit of an error, and what to multiply the engine's by and to divide it by."""
        if suspect.suspicion is Suspicion.READING:
            entry = self._entries.get(suspect.readings[0])
            return (
                ("fraction", 1.0, 1.0)
                if entry is None
                else (entry.unit, *ratio(entry.base, entry.unit))
            )
        if suspect.suspicion is Suspicion.SHARED_ERROR:
            # The prior of zero is what is "read too high" where the error itself is low.
            return _OWN_SD, -1.0, 1.0
        if suspect.suspicion is Suspicion.CONTENT:
            unit = self.it.sheet.unit_of(suspect.of[1])
            return unit, UNITS[unit].per_whole, 1.0
        return self.it.mass_unit, 1.0, 1.0

    def statement(self, test: HypothesisTest) -> str:
        """Say what a test says, as a sentence."""
        suspect, sds = test.hypothesis, abs(test.statistic)
        unit, size, sd = self.size(test)
        if suspect.suspicion is Suspicion.EXCHANGE or size is None or sd is None:
            name = self._exchange(suspect, " and ")
            return (
                f"{name[0].upper()}{name[1:]} seem to stand in each other's place: exchanged back, "
                f"everything fits better ({sds:.1f} sd)."
            )
        if suspect.suspicion is Suspicion.READING:
            return self._reading_statement(suspect.readings[0], size, sd, unit or "", sds)
        value = plus_minus(abs(size), sd)
        if suspect.suspicion in (Suspicion.LEAK, Suspicion.WATER_LEAK):
            where = self._at_node(suspect.node or "")
            what = "water" if suspect.suspicion is Suspicion.WATER_LEAK else "what enters"
            lost = f"of {what} is lost" if size > 0 else f"of {what} is added without being read"
            return f"At {where} {value} {unit or ''} {lost} ({sds:.1f} sd).".replace("  ", " ")
        if suspect.suspicion is Suspicion.SHARED_ERROR:
            return (
                f"The shared error '{suspect.of[0]}' is {plus_minus(size, sd)} of its stated sd, "
                f"{sds:.1f} sd more than the readings allow it."
            )
        way = "high" if size > 0 else "low"
        return f"The {self.name(suspect)[4:]} is stated {value} {unit} too {way} ({sds:.1f} sd)."

    def _reading_statement(self, i: int, size: float, sd: float, unit: str, sds: float) -> str:
        way, side = ("high", "above") if size > 0 else ("low", "below")
        lead = f"{self.subject(i)} is {sds:.1f} sd {side} what the other readings allow"
        entry = self._entries.get(i)
        if self._is_likeness(i):
            return self._unlike(i, size, sd, sds)
        if entry is None or entry.value is None:
            return f"{lead}, {plus_minus(abs(size), sd)} {unit} too {way}."
        expected = entry.value - size
        much = f"about {value_and_sd(abs(size), sd)[0]} {unit} too {way}"
        if 0 < expected <= size:
            much = f"about {entry.value / expected:.2g} times as much"
        elif expected > abs(size):
            much = f"about {PERCENT * abs(size) / expected:.2g} % too {way}"
        shown, error = value_and_sd(expected, sd)
        said = f"{lead}, {much} ({entry.value:.6g} {unit} read, {shown} ± {error} expected)."
        return said + _decimal_slip(entry.value, expected, sd)

    def _is_likeness(self, i: int) -> bool:
        """Say whether a reading holds a stream to the grade of others."""
        return self.it.intake.terms.readings[i].level is not None

    def _unlike(self, i: int, size: float, sd: float, sds: float) -> str:
        """Say how far a stream is from those that it was said to be like."""
        way = "lower" if size > 0 else "higher"
        apart = plus_minus(PERCENT * abs(size), PERCENT * sd)
        name = self.it.intake.terms.readings[i].name
        return (
            f"{self._place(i)} is less like what it was said to be like: its grade of {name} is "
            f"{apart} % {way} ({sds:.1f} sd)."
        )

    def action(self, i: int) -> str:
        """Say how to take a reading again, at the start of a sentence."""
        entry = self._entries.get(i)
        if entry is None or entry.counted is not None:
            return f"Check {self.reading(i)}"
        if entry.words == SOLIDS:
            return f"Weigh {entry.place.words} again"
        if entry.words in self._assayed:
            return f"Re-assay {entry.words} of {entry.place.words}"
        return f"Read {self.reading(i)} again"
