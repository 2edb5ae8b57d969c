"""What is asked beyond the balance, in the engine's terms."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from reconcile.faults import Where
from reconcile.flowsheet import SOLIDS
from reconcile.metallurgy.hazards import NUCLIDES, carriers
from reconcile.metallurgy.performance import Series
from reconcile.metallurgy.question import Question
from service.balances.schemas import BalanceRequest, ComponentObject, SeriesObject
from service.kit.units import to_fraction

from .ledger import Ledger, doubles
from .minerals import formula_of, named_formula
from .sheet import Sheet

WHOLE = 1.0


@dataclass(frozen=True)
class Beyond:
    """What the engine is asked beyond the balance, and the names of the series."""

    question: Question = field(default_factory=Question)
    names: tuple[str, ...] = ()


def beyond_of(request: BalanceRequest, sheet: Sheet, ledger: Ledger) -> Beyond:
    """Give what is asked, and take note of what makes no sense in it."""
    asks = bool(request.performance) or request.care is not None
    if not asks:
        return Beyond()
    at: Where = ("performance",) if request.performance else ("care",)
    if ledger.note_if(
        request.periods,
        at,
        "performance-of-periods",
        "What was separated and what needs care is told of a single balance, not of periods.",
        "Send one period at a time, without 'periods'.",
    ):
        return Beyond()
    names = _names(request.performance, ledger)
    series = [
        _series(wire, ("performance", i), sheet, ledger)
        for i, wire in enumerate(request.performance)
    ]
    streams = _streams_of_care(request, sheet, ledger)
    counted = {n.element: counted_in(n.element, sheet) for n in NUCLIDES}
    if ledger.faults:
        return Beyond()
    return Beyond(Question(tuple(series), streams, counted if streams else None), names)


def _names(every: list[SeriesObject], ledger: Ledger) -> tuple[str, ...]:
    names = tuple(wire.name or " + ".join(wire.feed) for wire in every)
    for i in doubles(names):
        ledger.note(
            ("performance", i),
            "duplicate-series",
            f"Two series are called '{names[i]}'.",
            "Give each a 'name' of its own.",
        )
    return names


def _series(wire: SeriesObject, where: Where, sheet: Sheet, ledger: Ledger) -> Series:
    before = ledger.count
    for member, names in (("feed", wire.feed), ("products", wire.products)):
        ledger.note_if(
            not names,
            (*where, member),
            "series-of-nothing",
            "The list is empty.",
            "Name at least one stream.",
        )
        alone = member == "feed" and len(names) == 1  # it may have been written without a list
        for j, name in enumerate(names):
            place: Where = (*where, member) if alone else (*where, member, j)
            if ledger.known(place, "stream", name, sheet.stream_names):
                _note_stream(name, place, sheet, ledger)
        for j in doubles(names):
            ledger.note(
                (*where, member, j),
                "repeated-stream",
                f"'{names[j]}' is named twice.",
                "Name each stream once.",
            )
    for j, name in enumerate(wire.products):
        ledger.note_if(
            name in wire.feed,
            (*where, "products", j),
            "product-is-feed",
            f"'{name}' is the feed of the series and cannot be a product of it.",
            "Name the streams that the feed was parted into.",
        )
    if ledger.count == before:
        _note_ways(wire, where, sheet, ledger)
    return Series(tuple(wire.feed), tuple(wire.products), pure_contents(sheet), parts_of(sheet))


def _note_ways(wire: SeriesObject, where: Where, sheet: Sheet, ledger: Ledger) -> None:
    """Take note of products that the feed does not come to, or that hold one another."""
    leaving = defaultdict(list)
    for stream in sheet.wire.streams:
        if stream.from_ is not None:
            leaving[stream.from_].append(stream)
    by_name = {stream.name: stream for stream in sheet.wire.streams}

    def reached(name: str) -> set[str]:
        """Give what a stream comes to before it comes to the feed (again)."""
        found: set[str] = set()
        waiting = [by_name[name]]
        while waiting:
            for stream in leaving.get(waiting.pop().to or "", ()):
                if stream.name not in found and stream.name not in wire.feed:
                    found.add(stream.name)
                    waiting.append(stream)
        return found

    of_feed = {name for feed in wire.feed for name in reached(feed)}
    holding = {name: product for product in wire.products for name in reached(product)}
    for j, name in enumerate(wire.products):
        ledger.note_if(
            name not in of_feed,
            (*where, "products", j),
            "product-of-another-feed",
            f"Nothing of the feed comes to '{name}'.",
            "Name the streams that the feed was parted into.",
        )
        ledger.note_if(
            name in holding and name in of_feed,
            (*where, "products", j),
            "product-counted-twice",
            f"'{name}' came of '{holding.get(name)}', which is named too, so it would count twice.",
            "Name either a stream or what it was parted into.",
        )


def _note_stream(name: str, where: Where, sheet: Sheet, ledger: Ledger) -> None:
    wire = next(s for s in sheet.wire.streams if s.name == name)
    ledger.note_if(
        wire.kind == "unaccounted" or wire.carries == "water",
        where,
        "stream-without-grades",
        f"'{name}' holds no solids that could have a grade.",
        "Name a stream of solids.",
    )


def _streams_of_care(request: BalanceRequest, sheet: Sheet, ledger: Ledger) -> tuple[str, ...]:
    if request.care is None:
        return ()
    for j, name in enumerate(request.care.streams or ()):
        where: Where = ("care", "streams", j)
        if ledger.known(where, "stream", name, sheet.stream_names):
            _note_stream(name, where, sheet, ledger)
    if request.care.streams is not None:
        return tuple(dict.fromkeys(request.care.streams))
    flowsheet = sheet.flowsheet
    return tuple(
        stream.name
        for stream in flowsheet.streams
        if (stream.source is None or stream.target is None)
        and not stream.signed
        and flowsheet.holds(stream, SOLIDS)
        and stream.name in sheet.stream_names
    )


def is_mineral(component: ComponentObject, sheet: Sheet) -> bool:
    """Say whether a component is a mineral, by its formula or by what it carries."""
    return component.formula is not None or component.name in sheet.flowsheet.contents


def pure_contents(sheet: Sheet) -> dict[str, float]:
    """Give the content of each component in its pure mineral, where that is known."""
    found = {}
    for component in sheet.wire.components:
        if component.theoretical is not None:
            found[component.name] = to_fraction(component.theoretical, component.unit)
        elif is_mineral(component, sheet):
            found[component.name] = WHOLE
    return found


def parts_of(sheet: Sheet) -> tuple[str, ...]:
    """Give what products are described by: minerals and what closes with them, or components."""
    closed = {name for closure in sheet.wire.closures for name in closure.components}
    components = sheet.wire.components
    minerals = [c.name for c in components if is_mineral(c, sheet) or c.name in closed]
    return tuple(minerals or (c.name for c in components))


def counted_in(element: str, sheet: Sheet) -> dict[str, float]:
    """Give what an element is counted in, and its mass fraction there."""
    wire = sheet.wire
    analytes = {a.name: formula for a in wire.analytes if (formula := formula_of(a)) is not None}
    minerals = {c.name: c.formula for c in wire.components if c.formula is not None}
    assayed = {
        c.name: formula
        for c in wire.components
        if c.name not in minerals and (formula := named_formula(c.name)) is not None
    }
    return carriers(element, analytes, assayed, minerals)
