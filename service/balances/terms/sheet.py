"""The flowsheet in the engine's terms, over all periods."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from reconcile import SOLIDS, Flowsheet, Stream
from reconcile.faults import Fault, Where
from reconcile.flowsheet import SIZES, WATER, Order, Quantity, Whole
from reconcile.flowsheet import faults_of as flowsheet_faults_of
from reconcile.periods import Period, Unrolled, unroll
from service.balances.schemas import (
    AnalyteObject,
    BalanceRequest,
    ComponentObject,
    Density,
    FlowsheetObject,
    StreamObject,
)
from service.balances.schemas.words import MASS, OF_WATER, RESERVED
from service.kit.units import UNITS, Kind, convert, to_fraction

from .ledger import Ledger, doubles, listed
from .minerals import contents_of
from .seen import SEEN
from .sizes import Ladder, ladder_of

DENSITY_UNIT = "kg/m3"
"""The unit of densities inside."""

OPENING, CLOSING = "opening", "closing"

_ROOT: Where = ("flowsheet",)
_WITHOUT = {"water": frozenset({SOLIDS}), "dry solids": frozenset({WATER}), None: frozenset()}


class Parting(NamedTuple):
    """
    A quantity at a node that conserves it.

    ``streams`` are those that leave the node, each by the engine's name and by that on the wire.
    """

    node: str
    period: Period
    quantity: Quantity
    streams: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Sheet:
    """The flowsheet as written, and as the engine takes it."""

    wire: FlowsheetObject
    unrolled: Unrolled
    ladder: Ladder | None
    kept: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)
    """What other stages worked out for this flowsheet, and need not again; they bound it."""

    _same: dict[tuple[int, ...], dict[Any, Any]] = field(
        default_factory=dict, compare=False, repr=False
    )

    @property
    def flowsheet(self) -> Flowsheet:
        """The flowsheet over all periods."""
        return self.unrolled.flowsheet

    @property
    def periods(self) -> tuple[Period, ...]:
        """The periods; one without a name if none is named."""
        return self.unrolled.periods

    @property
    def mass_unit(self) -> str | None:
        """The unit of masses."""
        return self.wire.mass_unit

    def same(self, readings: tuple[int, ...] | None) -> dict[Any, Any]:
        """
        Give room for what is the same in every balance of these readings, by their kinds.

        Of one list of kinds it comes back as it was left, until another list is asked for; there
        is none of readings that are not all of a kind.
        """
        if readings is None:
            return {}
        found = self._same.get(readings)
        if found is None:
            found = {}
            self._same.clear()
            self._same[readings] = found
        return found

    @cached_property
    def labels(self) -> dict[str, tuple[str, Period]]:
        """Of each stream of the engine, its name and period on the wire."""
        unrolled = self.unrolled
        flows = {of_engine: label for label, of_engine in unrolled.streams.items()}
        changes = {
            of_engine: (f"change of {node}", period)
            for (node, period), of_engine in unrolled.changes.items()
        }
        held = {name: (name, None) for names in unrolled.stocks.values() for name in names}
        return flows | changes | held

    @cached_property
    def labels_of_nodes(self) -> dict[str, tuple[str, Period]]:
        """Of each node of the engine that is one of the request, its name and period there."""
        names = [node.name for node in self.wire.nodes]
        wanted = ((name, period) for period in self.periods for name in names)
        return dict(zip(self.flowsheet.nodes, wanted, strict=False))

    @cached_property
    def partings(self) -> tuple[Parting, ...]:
        """Of each node of the request and each quantity that it conserves, what leaves it."""
        sheet = self.flowsheet
        leaving: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for stream in sheet.streams:
            if stream.source is not None:
                leaving[stream.source].append((stream.name, self.labels[stream.name][0]))
        return tuple(
            Parting(name, period, quantity, tuple(leaving[node]))
            for node, (name, period) in self.labels_of_nodes.items()
            for quantity in sheet.quantities
            if sheet.conserves(node, quantity)
        )

    def unit_of(self, name: str) -> str:
        """Give the unit of a component or an analyte."""
        return str(self._assayed[name].unit)

    def detection_limit_of(self, name: str) -> float | None:
        """Give the detection limit of a component or an analyte, in its unit."""
        return self._assayed[name].detection_limit

    @cached_property
    def stream_names(self) -> dict[str, None]:
        """Names of the streams, in order."""
        return dict.fromkeys(stream.name for stream in self.wire.streams)

    @cached_property
    def words(self) -> dict[str, None]:
        """What readings can name, in order."""
        water = OF_WATER if self.wire.water else ()
        analytes = (analyte.name for analyte in self.wire.analytes)
        return dict.fromkeys([MASS, *self.flowsheet.components, *water, *analytes])

    @cached_property
    def _assayed(self) -> dict[str, ComponentObject | AnalyteObject]:
        components = {c.name: c for c in self.wire.components}
        return components | {a.name: a for a in self.wire.analytes}


def density(given: Density) -> float:
    """Give a density in the unit of densities inside."""
    return convert(given.value, given.unit, DENSITY_UNIT)


def _stream(wire: StreamObject) -> Stream:
    return Stream(
        wire.name,
        wire.from_,
        wire.to,
        without=_WITHOUT[wire.carries],
        signed=wire.kind == "unaccounted",
    )


def _flowsheet(wire: FlowsheetObject, ladder: Ladder | None, ledger: Ledger) -> Flowsheet:
    names = {c.name for c in wire.components}
    return Flowsheet(
        nodes=tuple(node.name for node in wire.nodes),
        streams=tuple(_stream(s) for s in wire.streams),
        components=tuple(c.name for c in wire.components),
        water=wire.water,
        classes=ladder.classes if ladder else (),
        sized=tuple(c for c in wire.sizes.components if c in names) if wire.sizes else (),
        alters={node.name: frozenset(node.alters) for node in wire.nodes if node.alters},
        wholes=tuple(
            Whole(tuple(c.components), None if c.streams is None else tuple(c.streams))
            for c in wire.closures
            if c.sd is None
        ),
        contents=contents_of(wire, ledger),
        orders=tuple(Order(o.component, o.stream, o.at_least_as_rich_as) for o in wire.orders),
    )


def sheet_of(request: BalanceRequest, ledger: Ledger) -> Sheet:
    """Give the flowsheet in the engine's terms, and take note of what is wrong with it."""
    known = SEEN.sheet(request.flowsheet, request.periods)
    if known is not None:
        return known
    before = ledger.count
    sheet = _judged(request, ledger)
    if ledger.count == before:
        SEEN.keep_sheet(sheet, request.periods)
    return sheet


def _judged(request: BalanceRequest, ledger: Ledger) -> Sheet:
    wire = request.flowsheet
    ladder = ladder_of(wire.sizes, ledger)
    _note_names(wire, ledger)
    _note_nodes(wire, ledger)
    _note_sized(wire, ledger)
    _note_streams(wire, ledger)
    _note_closures(wire, ledger)
    _note_orders(wire, ledger)
    _note_theoretical(wire, ledger)
    stocks = [node.name for node in wire.nodes if node.stock]
    _note_periods(request, stocks, ledger)
    unrolled = unroll(_flowsheet(wire, ladder, ledger), request.periods, stocks)
    ledger.faults += _engine_findings(unrolled, wire)
    return Sheet(wire, unrolled, ladder)


def _note_names(wire: FlowsheetObject, ledger: Ledger) -> None:
    """Names of what is assayed: not reserved, and not used twice."""
    components = [c.name for c in wire.components]
    analytes = [a.name for a in wire.analytes]
    for kind, names in (("components", components), ("analytes", analytes)):
        for i, name in enumerate(names):
            ledger.note_if(
                name in RESERVED,
                (*_ROOT, kind, i),
                "reserved-name",
                f"'{name}' names something that every stream may have.",
                "Choose another name.",
            )
    for i in doubles([*components, *analytes]):
        if i >= len(components):
            ledger.note(
                (*_ROOT, "analytes", i - len(components)),
                "duplicate-analyte",
                f"The name '{analytes[i - len(components)]}' is used more than once.",
                "Give every component and every analyte a name of its own.",
            )


def _note_nodes(wire: FlowsheetObject, ledger: Ledger) -> None:
    components = [c.name for c in wire.components]
    followed = [*components, *([WATER] if wire.water else []), *([SIZES] if wire.sizes else [])]
    for i, node in enumerate(wire.nodes):
        for j, what in enumerate(node.alters):
            ledger.known((*_ROOT, "nodes", i, "alters", j), "quantity", what, followed)


def _note_sized(wire: FlowsheetObject, ledger: Ledger) -> None:
    components = [c.name for c in wire.components]
    for i, name in enumerate(wire.sizes.components if wire.sizes else ()):
        ledger.known((*_ROOT, "sizes", "components", i), "component", name, components)


def _note_streams(wire: FlowsheetObject, ledger: Ledger) -> None:
    for i, stream in enumerate(wire.streams):
        where = (*_ROOT, "streams", i)
        ledger.note_if(
            stream.carries is not None and not wire.water,
            (*where, "carries"),
            "water-not-followed",
            f"Stream '{stream.name}' says what it carries, but water is not followed.",
            "Add '\"water\": true' to the flowsheet.",
        )
        inward, outward = stream.from_ is None, stream.to is None
        strays = {
            "loss": not outward,
            "gain": not inward,
            "unaccounted": not inward and not outward,
        }
        if stream.kind is not None:
            ledger.note_if(
                strays[stream.kind],
                (*where, "kind"),
                "kind-does-not-fit",
                f"Stream '{stream.name}' is declared '{stream.kind}' but stays in the flowsheet.",
                "A loss has no 'to', a gain no 'from', an unaccounted difference one of them.",
            )


def _note_closures(wire: FlowsheetObject, ledger: Ledger) -> None:
    components, streams = [c.name for c in wire.components], [s.name for s in wire.streams]
    for i, closure in enumerate(wire.closures):
        where = (*_ROOT, "closures", i)
        for j, name in enumerate(closure.components):
            ledger.known((*where, "components", j), "component", name, components)
        for j, name in enumerate(closure.streams or ()):
            ledger.known((*where, "streams", j), "stream", name, streams)
        ledger.note_if(
            not closure.components or doubles(closure.components),
            (*where, "components"),
            "closure-of-nothing" if not closure.components else "duplicate-component",
            "A closure needs components, each once.",
            "List the components that make up the whole.",
        )
        ledger.note_if(
            closure.sd is None and closure.total != 100,  # noqa: PLR2004 - the whole in percent
            (*where, "total"),
            "total-without-sd",
            "Components make up exactly 100 % or something near it, not exactly something else.",
            "Give the closure an 'sd', or leave 'total' out.",
        )


def _note_orders(wire: FlowsheetObject, ledger: Ledger) -> None:
    components, streams = [c.name for c in wire.components], [s.name for s in wire.streams]
    for i, order in enumerate(wire.orders):
        where = (*_ROOT, "orders", i)
        ledger.known((*where, "component"), "component", order.component, components)
        ledger.known((*where, "stream"), "stream", order.stream, streams)
        than = (*where, "at_least_as_rich_as")
        ledger.known(than, "stream", order.at_least_as_rich_as, streams)
        ledger.note_if(
            order.stream == order.at_least_as_rich_as,
            than,
            "order-of-one-stream",
            "A stream is as rich as itself.",
            "Name another stream, or leave the order out.",
        )


def _note_theoretical(wire: FlowsheetObject, ledger: Ledger) -> None:
    for i, component in enumerate(wire.components):
        ledger.note_if(
            component.theoretical is not None
            and to_fraction(component.theoretical, component.unit) > 1,
            (*_ROOT, "components", i, "theoretical"),
            "theoretical-above-100-percent",
            "The theoretical content is more than the whole.",
            "Check the value and the component's unit.",
        )


def _note_periods(request: BalanceRequest, stocks: list[str], ledger: Ledger) -> None:
    for i in doubles(request.periods):
        ledger.note(
            ("periods", i),
            "duplicate-period",
            f"The period '{request.periods[i]}' is named twice.",
            "Give every period a name of its own.",
        )
    for i, period in enumerate(request.periods):
        ledger.note_if(
            period in (OPENING, CLOSING),
            ("periods", i),
            "reserved-name",
            f"'{period}' names a time of a stock.",
            "Choose another name for the period.",
        )
    unit = request.flowsheet.mass_unit
    ledger.note_if(
        stocks and unit is not None and UNITS[unit].kind is Kind.RATE,
        (*_ROOT, "mass_unit"),
        "stock-with-rate",
        f"'{listed(stocks)}' holds a stock, which is a mass, but masses are per unit time.",
        "Give the masses that pass in the period, in a unit of mass.",
    )


def _engine_findings(unrolled: Unrolled, wire: FlowsheetObject) -> list[Fault]:
    """Give what the engine finds, each fault once, in its place in the request."""
    stocks = [i for i, node in enumerate(wire.nodes) if node.stock]
    process = len(unrolled.periods) * len(wire.nodes)
    flows = len(unrolled.periods) * len(wire.streams)

    def place(where: Where) -> Where:
        match where:
            case ("nodes", int(i), *rest):
                j = i % len(wire.nodes) if i < process else stocks[(i - process) % len(stocks)]
                return (*_ROOT, "nodes", j, *rest)
            case ("streams", int(i), *rest) if i < flows:
                return (*_ROOT, "streams", i % len(wire.streams), *rest)
            case ("streams", int(), *rest):
                return (*_ROOT, "nodes")
            case _:
                return (*_ROOT, *where)

    once: dict[tuple[Where, str], Fault] = {}
    for fault in flowsheet_faults_of(unrolled.flowsheet):
        if fault.where[0] in ("wholes", "orders", "contents", "alters", "sized"):
            continue  # judged above, where the request's own places are known
        where = place(fault.where)
        once.setdefault((where, fault.code), Fault(where, fault.code, fault.what, fault.mend))
    return list(once.values())
