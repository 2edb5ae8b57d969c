"""What needs care: activities beside their levels, and the cautions that apply."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from reconcile import Knowledge, Known
from reconcile.metallurgy.hazards import (
    LEVEL_BQ_G,
    NUCLIDES,
    TRANSPORT_FACTOR,
    Activities,
    Below,
    Nuclide,
    Rule,
    chance_above,
    chance_in_words,
    held_below,
    is_silica,
    may_carry,
)
from reconcile.metallurgy.question import Answer
from reconcile.readings import Limit
from service.balances.reply import Care, Caution, NuclideFigure, Standing, StreamActivity
from service.balances.schemas import CareObject
from service.balances.terms.minerals import formula_of, named_formula
from service.kit.figures import plain, plus_minus
from service.kit.units import to_fraction

from . import cautions, said
from .performance import figure_of
from .terms import Answering

BECQUEREL = "Bq/g"

_UNKNOWN = Known(None, None, Knowledge.UNOBSERVABLE)

_ELEMENTS = {"Th": "thorium", "U": "uranium"}

POSSIBLE = 0.01
"""Chance from which a level may be exceeded: below it is 'exceptionally unlikely'."""

_MOST, _LEAST = 99.9, 0.1

SOME = 1e-3
"""Mass fraction from which a product holds silica worth a word."""


def care_of(it: Answering, found: Answer) -> Care | None:
    """Give what needs care; nothing if it was not asked for."""
    asked = it.intake.request.care
    if asked is None:
        return None
    telling = _Telling(it, asked, it.intake.terms.beyond.question.counted or {})
    told = [telling.stream(of) for of in found.activities]
    return Care(
        radioactivity=told,
        cautions=[*telling.cautions(told, found.failure)],
        sources=list(cautions.SOURCES),
    )


@dataclass(frozen=True)
class _Telling:
    """The cautions of one balance on their way to the reply."""

    it: Answering
    asked: CareObject
    counted: Mapping[str, Mapping[str, float]]

    def stream(self, found: Activities) -> StreamActivity:
        """Give thorium and uranium of one stream."""
        known = {n.name: found.nuclides.get(n.name, _UNKNOWN) for n in NUCLIDES}
        limits = {n.name: self._below(n, found.stream) for n in NUCLIDES}
        together = found.together or _UNKNOWN
        standing = _Standing(known, limits, together)
        told = StreamActivity(
            stream=found.stream,
            nuclides=[self._nuclide(n, known[n.name], limits[n.name]) for n in NUCLIDES],
            together=figure_of(together, 1.0, BECQUEREL),
            exemption=standing.beside(LEVEL_BQ_G, Rule(self.asked.rule)),
            transport=standing.beside(
                LEVEL_BQ_G * TRANSPORT_FACTOR, Rule(self.asked.transport_rule)
            ),
            statement="",
        )
        return told.model_copy(update={"statement": _statement(told)})

    def _nuclide(self, nuclide: Nuclide, known: Known, below: Below | None) -> NuclideFigure:
        return NuclideFigure(
            nuclide=nuclide.name,
            counted_in=list(self.counted.get(nuclide.element, {})),
            activity=figure_of(known, 1.0, BECQUEREL),
            below=None if below is None else below.limit,
            chance=chance_above(known, LEVEL_BQ_G, below),
        )

    def _below(self, nuclide: Nuclide, stream: str) -> Below | None:
        """Give the activity at the limit below which everything that it is counted in was read."""
        limits = {
            entry.words: Below(
                to_fraction(entry.value, entry.unit), to_fraction(entry.sd, entry.unit)
            )
            for entry in self.it.intake.terms.entries
            if entry.limit is Limit.BELOW
            and entry.value is not None
            and entry.sd is not None
            and entry.left_out is None
            and entry.place.names == (stream,)
        }
        shares = self.counted.get(nuclide.element, {})
        if not shares or not limits.keys() >= shares.keys():
            return None
        parts = [(share * nuclide.activity, limits[name]) for name, share in shares.items()]
        return Below(
            sum(becquerel * part.limit for becquerel, part in parts),
            math.hypot(*(becquerel * part.sd for becquerel, part in parts)),
        )

    def cautions(self, told: list[StreamActivity], failure: str | None) -> Iterator[Caution]:
        """Give the cautions that apply, the most pressing first."""
        carrying = dict.fromkeys(m for m in self._carrying() if m is not None)
        if told or carrying or failure is not None:
            above = [s.stream for s in told if (s.exemption.chance or 0.0) >= POSSIBLE]
            unknown = [s.stream for s in told if _is_open(s)]
            known = any(s.exemption.chance is not None for s in told)
            yield Caution(
                topic="radioactivity",
                streams=list(dict.fromkeys((*above, *unknown))),
                text=" ".join(
                    (
                        *(said.doubt_of(self.it.balance.test) if known else ()),
                        cautions.radioactivity(
                            above, unknown, [*carrying], self._unfollowed(), known=known
                        ),
                    )
                ),
            )
        yield from self._silica()
        for work in dict.fromkeys(self.asked.work):
            yield cautions.of_work(work)
        yield cautions.certificates()

    def _unfollowed(self) -> list[str]:
        return [_ELEMENTS[n.element] for n in NUCLIDES if not self.counted.get(n.element)]

    def _carrying(self) -> Iterator[str | None]:
        wire = self.it.sheet.wire
        for component in wire.components:
            formula = component.formula or named_formula(component.name)
            yield may_carry(component.name, formula)
        for analyte in wire.analytes:
            for term in (formula_of(analyte) or "").split("+"):
                yield may_carry(analyte.name, term or None)

    def _silica(self) -> Iterator[Caution]:
        balance, wire = self.it.balance, self.it.sheet.wire
        formulas = {c.name: c.formula or named_formula(c.name) for c in wire.components}
        holding = [n for n, f in formulas.items() if is_silica(n, f)]
        oxides = [a.name for a in wire.analytes if is_silica(a.name, formula_of(a))]
        minerals = [name for name in holding if name != "SiO2"]
        if not holding and not oxides:
            return
        streams = self.it.intake.terms.beyond.question.streams
        told = []
        for stream in streams:
            shares = (
                [balance.assays[stream, name].value for name in holding]
                if holding
                else [balance.analytes[stream, name].value for name in oxides]
            )
            if any(share is None or share >= SOME for share in shares):
                told.append(stream)
        if told:
            yield cautions.silica(told, minerals or None)


@dataclass(frozen=True)
class _Standing:
    """The nuclides of one stream beside a level."""

    known: Mapping[str, Known]
    limits: Mapping[str, Below | None]
    together: Known

    def beside(self, level: float, rule: Rule) -> Standing:
        """Give the chance that a level is exceeded; of what is known, where not all is."""
        if rule is Rule.SUM and self.together.value is not None:
            chance = chance_above(self._sum(), level)
        else:
            chances = [
                c
                for name, known in self.known.items()
                if (c := chance_above(known, level, self.limits[name])) is not None
            ]
            chance = max(chances, default=None)
        return Standing(
            rule=rule.value,
            level=level,
            chance=chance,
            in_words=None if chance is None else chance_in_words(chance),
        )

    def _sum(self) -> Known:
        """Give the sum; of what was read below a limit as it is held by that, each by itself."""
        if not any(self.limits.values()):
            return self.together
        held = [held_below(known, self.limits[name]) for name, known in self.known.items()]
        return Known(
            sum(known.value or 0.0 for known in held),
            math.hypot(*(known.sd or 0.0 for known in held)),
            Knowledge.OBSERVABLE,
        )


def _is_open(told: StreamActivity) -> bool:
    """Say whether something that is followed is not known, not even as a limit."""
    return any(n.counted_in and n.activity.value is None and n.below is None for n in told.nuclides)


def _statement(told: StreamActivity) -> str:
    parts = f"'{told.stream}': {', '.join(_of_nuclide(n) for n in told.nuclides)}."
    known = [n.nuclide for n in told.nuclides if n.activity.value is not None]
    if not known:
        return parts
    first, second = _stands(told.exemption), _stands(told.transport)
    by = f" This is by {known[0]} alone." if len(known) < len(told.nuclides) else ""
    return f"{parts} {first[0].upper()}{first[1:]}; {second} (transport).{by}"


def _of_nuclide(told: NuclideFigure) -> str:
    value, sd = told.activity.value, told.activity.sd or 0.0
    if told.below is not None and (value is None or value + sd > told.below):
        return f"{told.nuclide} not detected, below {told.below:.2g} {BECQUEREL}"
    if value is not None:
        return f"{told.nuclide} {plus_minus(value, sd)} {BECQUEREL}"
    if not told.counted_in:
        return f"{told.nuclide} not followed"
    return f"{told.nuclide} unknown, since nothing that was read determines it"


def _stands(standing: Standing) -> str:
    rule = "for any one nuclide" if standing.rule == Rule.EACH.value else "in sum"
    return (
        f"{standing.in_words} to exceed {plain(standing.level)} {BECQUEREL} {rule}, "
        f"{_percent(standing.chance or 0.0)}"
    )


def _percent(chance: float) -> str:
    """Say a probability; one in a thousand is as far as the errors of readings are known."""
    percent = 100 * chance
    if percent > _MOST:
        return f"probability above {_MOST} %"
    if percent < _LEAST:
        return f"probability below {_LEAST} %"
    return f"probability {percent:.1f} %"
