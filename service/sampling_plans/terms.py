"""The request in the engine's terms: the question, and everything in it that makes no sense."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from reconcile import SOLIDS, Options, Reading
from reconcile.evidence.sampling import (
    Detection,
    ErrorsAtHand,
    Kind,
    Prospect,
    Question,
    Target,
    is_repeatable,
    usual_prospects,
)
from reconcile.faults import Fault, Where
from reconcile.measurands import Measurand, measurand
from reconcile.options import Robust
from reconcile.sampling import faults_of
from service.balances.schemas import Of, ReadingObject
from service.balances.schemas.words import MASS
from service.balances.terms.ledger import Ledger
from service.balances.terms.measured import Measured, measured
from service.balances.terms.places import Place, place_of
from service.balances.terms.readings import Entry
from service.balances.terms.request import Terms, terms_of
from service.balances.terms.usual import SMALLEST_SD
from service.kit.units import convert

from .schemas import CandidateObject, CostObject, SamplingPlanRequest, TargetObject

PERCENT = 100.0


@dataclass(frozen=True)
class Offer:
    """
    A candidate as the reply tells of it.

    ``unit`` is that of its values, ``base`` that of the engine, none where masses are relative.
    """

    prospect: Prospect
    kind: Kind
    place: Place
    words: str
    unit: str | None
    base: str | None
    where: Where | None = None

    def shown(self, value: float) -> float:
        """Give a value of the engine in its unit."""
        if self.unit is None or self.base is None:
            return value
        return convert(value, self.base, self.unit)


@dataclass(frozen=True)
class Aim:
    """A target as the reply tells of it: ``per`` of its unit make one of the engine's."""

    target: Target
    wire: TargetObject
    place: Place
    words: str
    unit: str | None
    per: float
    where: Where


@dataclass(frozen=True)
class Asked:
    """The readings at hand and the question, both in the engine's terms, with their words."""

    terms: Terms
    question: Question
    offers: tuple[Offer, ...]
    aims: tuple[Aim, ...]


def asked_of(request: SamplingPlanRequest) -> tuple[Asked, list[Fault]]:
    """Give a request in the engine's terms, as far as it makes sense, and where it does not."""
    terms, faults = _with_design(request)
    asking = _Asking(request, terms, Ledger())
    aims = [asking.aim(i, wire) for i, wire in enumerate(request.targets)]
    aims_found = tuple(aim for aim in aims if aim is not None)
    offers = asking.offers()
    question = Question(
        prospects=tuple(offer.prospect for offer in offers),
        budget=request.budget,
        targets=tuple(aim.target for aim in aims_found),
        detection=asking.detection(),
        expectations=asking.expectations,
    )
    robust = Robust(request.options.robust) if request.options and request.options.robust else None
    # Whether there are targets is asked of what was written, not of what of it could be read.
    told = replace(question, targets=tuple(Target((), "") for _ in request.targets))
    found = faults_of(told, Options(robust=robust or Robust.NONE))
    return Asked(terms, question, offers, aims_found), [*faults, *asking.ledger.faults, *found]


def _with_design(request: SamplingPlanRequest) -> tuple[Terms, list[Fault]]:
    """Judge readings and design values together, each fault in its own place."""
    read = len(request.readings)
    values = [value.as_reading() for value in request.design]
    whole = request.model_copy(update={"readings": [*request.readings, *values]})

    def own(where: Where) -> Where:
        if len(where) > 1 and where[0] == "readings" and int(where[1]) >= read:
            return ("design", int(where[1]) - read, *where[2:])
        return where

    terms, faults = terms_of(whole)
    terms = replace(
        terms,
        origins=tuple(own(where) for where in terms.origins),
        entries=tuple(entry._replace(where=own(entry.where)) for entry in terms.entries),
    )
    return terms, [replace(fault, where=own(fault.where)) for fault in faults]


@dataclass(frozen=True)
class _Asking:
    """One request on its way into the engine's terms."""

    request: SamplingPlanRequest
    terms: Terms
    ledger: Ledger

    @cached_property
    def expectations(self) -> frozenset[int]:
        """Positions of the design values among the engine's readings."""
        origins = enumerate(self.terms.origins)
        return frozenset(i for i, where in origins if where and where[0] == "design")

    @cached_property
    def _entries(self) -> dict[int, Entry]:
        """The single readings at hand that count, by their position among the engine's."""
        return {
            entry.at[0]: entry
            for entry in self.terms.entries
            if entry.counted is None and entry.left_out is None
            if entry.at and entry.at[0] not in self.expectations
        }

    @cached_property
    def _at_hand(self) -> list[int]:
        readings = self.terms.readings
        return [
            i
            for i in self._entries
            if is_repeatable(readings[i]) and not 0 < readings[i].sd < SMALLEST_SD  # a fault
        ]

    @cached_property
    def _errors(self) -> ErrorsAtHand:
        return ErrorsAtHand(self.terms.flowsheet, self.terms.readings, self._at_hand)

    @cached_property
    def _read(self) -> dict[tuple[tuple[str, ...], Measurand], int]:
        """Positions of the readings at hand by what they are of."""
        sheet = self.terms.flowsheet
        known = self.terms.readings
        return {(known[i].streams, measurand(sheet, known[i].of)): i for i in self._entries}

    def _place(self, where: Where, wire: TargetObject | CandidateObject) -> Place | None:
        """Give the place that a target or candidate names, by the rules of a reading."""
        place = wire.model_dump(include={"stream", "stock", "at", "period"}, exclude_unset=True)
        found = Ledger()
        result = place_of(ReadingObject.model_validate(place), self.terms.sheet, where, found)
        what = str(where[0]).removesuffix("s")
        for fault in found.faults:
            said = fault.what.replace("The reading", f"The {what}").replace("the reading", what)
            self.ledger.note(fault.where, fault.code, said, fault.mend)
        return result

    # --- targets ----------------------------------------------------------------------------

    def aim(self, i: int, wire: TargetObject) -> Aim | None:
        """Give a target, or none with a fault."""
        where: Where = ("targets", i)
        place = self._place(where, wire)
        of = wire.of or (Of(quantity=MASS) if wire.figure == "yield" else None)
        if of is None:
            self.ledger.note(
                (*where, "of"),
                "missing-field",
                "The member 'of' is missing.",
                'Add it, for example "of": "Sn".',
            )
            return None
        found = measured(of, self.terms.sheet, (*where, "of"), self.ledger)
        if found is None or place is None:
            return None
        if wire.figure == "value":
            return self._value(wire, place, found, where)
        return self._share(wire, place, found, where)

    def _value(self, wire: TargetObject, place: Place, found: Measured, where: Where) -> Aim:
        per = 1.0
        if found.unit is not None and found.base is not None:
            per = convert(1.0, found.base, found.unit)
        wanted = None if wire.sd is None else wire.sd / per
        target = Target(place.names, found.of, wanted_sd=wanted)
        return Aim(target, wire, place, found.words, found.unit, per, where)

    def _share(self, wire: TargetObject, place: Place, found: Measured, where: Where) -> Aim | None:
        whole = self.terms.flowsheet.components if wire.figure == "recovery" else (SOLIDS,)
        if self.ledger.note_if(
            found.word not in whole,
            (*where, "of"),
            "recovery-of-no-component",
            f"A {wire.figure} of '{found.words}' is not followed.",
            "Name a component of the flowsheet for a recovery, and leave 'of' out for a yield.",
        ):
            return None
        wanted = None if wire.sd is None else wire.sd / PERCENT
        target = Target(place.names, str(found.word), of_feed=True, wanted_sd=wanted)
        return Aim(target, wire, place, found.words, "%", PERCENT, where)

    def detection(self) -> Detection | None:
        """Give the detection asked for, of the readings at hand that have an error."""
        wire = self.request.detection
        if wire is None:
            return None
        return Detection(
            tuple(self._at_hand),
            wire.bias,
            wire.level,
            wire.power,
            by_number=wire.aim == "readings reached",
        )

    # --- candidates -------------------------------------------------------------------------

    def offers(self) -> tuple[Offer, ...]:
        """Give the candidates that can be taken, with their costs."""
        for i, rule in enumerate(self.request.costs):
            self._judge(i, rule)
        if self.request.candidates is None:
            found = self._usual()
        else:
            every = [self._listed(i, c) for i, c in enumerate(self.request.candidates)]
            found = [offer for offer in every if offer is not None]
        priced = ((offer, self._cost(offer)) for offer in found)
        return tuple(
            replace(offer, prospect=replace(offer.prospect, cost=cost))
            for offer, cost in priced
            if cost is not None
        )

    def _usual(self) -> list[Offer]:
        streams = self.terms.sheet.unrolled.streams
        prospects = usual_prospects(
            self.terms.flowsheet,
            self.terms.readings,
            streams=streams.values(),
            at_hand=self._at_hand,
            besides=self.expectations,
        )
        labels = {name: label for label, name in streams.items()}
        offers = []
        for prospect in prospects:
            if prospect.reading is not None:
                offers.append(self._of_reading(prospect, prospect.reading))
                continue
            if prospect.of not in self._words:
                continue  # an analyte that is not listed, which is a fault told elsewhere
            name, period = labels[prospect.streams[0]]
            words, unit, base = self._words[prospect.of]
            place = Place(prospect.streams, (name,), (period,))
            offers.append(Offer(prospect, Kind.ADDITION, place, words, unit, base))
        return offers

    def _of_reading(self, prospect: Prospect, i: int) -> Offer:
        """Give a repeat or an improvement, in the words and the unit of its reading."""
        entry = self._entries[i]
        words = (entry.words, entry.unit, entry.base, entry.where)
        return Offer(prospect, prospect.kind, entry.place, *words)

    @cached_property
    def _words(self) -> dict[Measurand, tuple[str, str | None, str | None]]:
        """What is measured, in the words of the request, with its unit and that of the engine."""
        words: dict[Measurand, tuple[str, str | None, str | None]] = {}
        for entry in self._entries.values():
            of = measurand(self.terms.flowsheet, self.terms.readings[entry.at[0]].of)
            words[of] = (entry.words, entry.unit, entry.base)
        for word in self.terms.sheet.words:
            found = measured(Of(quantity=word), self.terms.sheet, (), Ledger())
            if found is not None:
                words[found.of] = (found.words, found.unit, found.base)
        return words

    def _listed(self, i: int, wire: CandidateObject) -> Offer | None:
        where: Where = ("candidates", i)
        place = self._place(where, wire)
        found = measured(wire.of, self.terms.sheet, (*where, "of"), self.ledger)
        if found is None or place is None or not self._fits(wire, found, where):
            return None
        unit = wire.unit or found.unit
        read = self._read.get((place.names, found.of))
        if wire.improves:
            prospect = self._improvement(wire, found, read, where)
        else:
            prospect = self._beside(wire, found, place, read)
        if prospect is None:
            return None
        kind = prospect.kind if read is None or wire.improves else Kind.REPEAT
        return Offer(prospect, kind, place, found.words, unit, found.base, where)

    def _fits(self, wire: CandidateObject, found: Measured, where: Where) -> bool:
        if found.of.is_amount and not found.of.above:
            self.ledger.note(
                (*where, "of"),
                "not-a-candidate",
                f"'{found.words}' cannot be planned.",
                "Plan 'percent solids' or 'moisture' instead.",
            )
            return False
        return not self.ledger.note_if(
            wire.unit is not None and wire.unit not in found.units,
            (*where, "unit"),
            "unit-does-not-fit",
            f"'{wire.unit}' is not a unit for '{found.words}' in this flowsheet.",
            f"Use one of: {', '.join(found.units)}.",
        )

    @staticmethod
    def _own(wire: CandidateObject, found: Measured) -> float:
        """Give the absolute sd of a candidate in the engine's unit, zero if it has none."""
        unit = wire.unit or found.unit
        if not wire.sd or unit is None or found.base is None:
            return wire.sd or 0.0
        return convert(wire.sd, unit, found.base)

    def _beside(
        self, wire: CandidateObject, found: Measured, place: Place, read: int | None
    ) -> Prospect:
        """Give a reading that stands beside those at hand."""
        if wire.sd or wire.relative_sd:
            own = (self._own(wire, found), wire.relative_sd or 0.0)
            return Prospect(place.names, found.of, *own, most=wire.at_most, origin="stated")
        if read in self._at_hand and read is not None:
            causes, again = self.terms.readings[read].causes, "that of the reading at hand"
            return Prospect(
                place.names, found.of, causes=causes, most=wire.at_most, reading=read, origin=again
            )
        return replace(self._errors.prospect(place.names, found.of), most=wire.at_most)

    def _improvement(
        self, wire: CandidateObject, found: Measured, read: int | None, where: Where
    ) -> Prospect | None:
        if read is None or read not in self._at_hand:
            self.ledger.note(
                where,
                "nothing-to-improve",
                f"There is no reading of '{found.words}' there with an error to improve.",
                "Leave 'improves' out, or name what was read.",
            )
            return None
        reading: Reading = self.terms.readings[read]
        sd = (self._own(wire, found) ** 2 + ((wire.relative_sd or 0.0) * reading.value) ** 2) ** 0.5
        if self.ledger.note_if(
            not 0 < sd < reading.sd or wire.at_most > 1,
            where,
            "no-improvement",
            "An improvement is taken once, and has an sd above zero and below that of the reading.",
            "Give a smaller 'sd' or 'relative_sd', and leave 'at_most' out.",
        ):
            return None
        narrowed, of, causes = sd / reading.sd, found.of, reading.causes
        return Prospect(reading.streams, of, causes=causes, reading=read, narrowed=narrowed)

    # --- costs ------------------------------------------------------------------------------

    def _judge(self, i: int, rule: CostObject) -> None:
        """Take note of what an entry of the costs names and does not exist."""
        where: Where = ("costs", i)
        for name in rule.stream or ():
            self.ledger.known((*where, "stream"), "stream", name, self.terms.sheet.stream_names)
        if rule.of is not None:
            measured(rule.of, self.terms.sheet, (*where, "of"), self.ledger)

    def _cost(self, offer: Offer) -> float | None:
        """Give the cost of a candidate, none where it cannot be taken."""
        if offer.where is not None and offer.where[0] == "candidates":
            wire = (self.request.candidates or [])[int(offer.where[1])]
            if wire.cost is not None:
                return wire.cost
        cost: float | None = 1.0
        for rule in self.request.costs:
            if self._applies(rule, offer):
                cost = rule.cost
        return cost

    def _applies(self, rule: CostObject, offer: Offer) -> bool:
        if rule.kind is not None and rule.kind != offer.kind:
            return False
        if rule.stream is not None and not set(offer.place.streams) & set(rule.stream):
            return False
        if rule.of is None:
            return True
        found = measured(rule.of, self.terms.sheet, (), Ledger())
        return found is not None and found.of == offer.prospect.of
