"""The request for the balance of a test, and what each place of it is on the sheet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from reconcile.faults import Fault, Where
from reconcile.metallurgy.passes import Flow, LaboratoryTest, Network, network_of
from reconcile.metallurgy.sheet_faults import in_front, label_of, pass_label
from service.balances.schemas import BalanceRequest
from service.balances.schemas.words import MASS
from service.balances.terms.ledger import Ledger, doubles
from service.balances.terms.request import Terms, terms_of
from service.kit.fields import LONGEST_NAME
from service.kit.settings import Settings
from service.tests.schemas import LotObject, ProductObject, SizedLotObject, TestSheet

from .assays import Assays
from .beyond import asked_of
from .likenesses import Likenesses
from .outline import heads_of, on_sheet, outline_faults, outline_of
from .places import Places, moved
from .weights import Made, Source, Weights

_AS_THEY_ARE = ("title", "note", "evidence", "options")
_OF_THE_FLOWSHEET = ("mass_unit", "components", "analytes", "sizes", "closures", "orders")
_KINDS = {"loss": "loss"}


@dataclass(frozen=True)
class Expanded:
    """
    A test as the balance takes it.

    ``request`` is the balance's request, and ``document`` the same as it is written; in ``terms``
    every place is one of the sheet, and ``sources`` say of each reading where it stands there.
    """

    sheet: TestSheet
    test: LaboratoryTest
    network: Network
    document: dict[str, Any]
    request: BalanceRequest
    terms: Terms
    sources: tuple[Source, ...]


def expanded(sheet: TestSheet, settings: Settings) -> tuple[Expanded | None, list[Fault]]:
    """Give a sheet as the balance takes it, as far as it makes sense, and where it does not."""
    ledger = Ledger()
    test = outline_of(sheet)
    ledger.faults += outline_faults(sheet, test)
    _note_tares(sheet, ledger)
    if ledger.faults:
        # Without streams nothing more can be said of readings but what the weights say themselves.
        _note_weights(sheet, test, ledger)
        return None, ledger.faults
    network = network_of(test, LONGEST_NAME)
    made = _Made(sheet, test, network, ledger)
    if _is_too_large(made, settings, ledger):
        return None, ledger.faults
    request = BalanceRequest.model_validate(made.document)
    sources = tuple(one.source for one in made.readings)
    alike = tuple(one.places for one in made.alike)
    places = Places(sheet, network, sources, tuple(made.model_places), alike)
    terms, faults = terms_of(request)
    ledger.faults += [places.told(fault) for fault in faults]
    terms = moved(terms, places.where)
    found = Expanded(sheet, test, network, made.document, request, terms, places.sources)
    return found, ledger.faults


def _is_too_large(made: _Made, settings: Settings, ledger: Ledger) -> bool:
    """Take note of more streams or results than a balance may have."""
    too_large = False
    for count, limit, what in (
        (len(made.network.flows), settings.stream_limit, "streams"),
        (len(made.readings), settings.reading_limit, "results"),
    ):
        too_large |= ledger.note_if(
            count > limit,
            ("passes",),
            f"too-many-{what}",
            f"The sheet makes {count} {what}; this service takes {limit}.",
            "Balance a part of it, or run a service with a higher limit.",
        )
    return too_large


def _note_tares(sheet: TestSheet, ledger: Ledger) -> None:
    names = [tare.name for tare in sheet.tares]
    for i in doubles(names):
        what = f"The name '{names[i]}' is used for two tares."
        ledger.note(("tares", i, "name"), "duplicate-name", what, "Give each a name of its own.")


def _note_weights(sheet: TestSheet, test: LaboratoryTest, ledger: Ledger) -> None:
    weights, assays = Weights(sheet, None, ledger), Assays(sheet, {}, ledger)
    assays.note_strangers()
    for lot, _, where, label in _lots(sheet, test):
        weights.reading(lot, "", where, label)
        list(assays.readings(lot, "", where, label))


def _lots(
    sheet: TestSheet, test: LaboratoryTest
) -> Iterator[tuple[LotObject, str | None, Where, str]]:
    """Give all heads and trays with their names, places and labels."""
    for i, head in enumerate(heads_of(sheet)):
        label = in_front(label_of(test, None, head.name))
        yield head, head.name, on_sheet(sheet, ("heads", i)), label
    for i, run in enumerate(sheet.passes):
        for j, product in enumerate(run.products):
            label = in_front(label_of(test, i, product.name))
            yield product, product.name, ("passes", i, "products", j), label


class _Made:
    """The document of the balance's request while it is put together."""

    def __init__(
        self, sheet: TestSheet, test: LaboratoryTest, network: Network, ledger: Ledger
    ) -> None:
        self.sheet, self.test, self.network, self.ledger = sheet, test, network, ledger
        self.document: dict[str, Any] = {}
        self.model_places: list[Where] = []
        models = self._models()
        weights = Weights(sheet, models.pop(MASS, None), ledger)
        assays = Assays(sheet, models, ledger)
        assays.note_strangers()
        self.readings: list[Made] = []
        for lot, stream, where, label in self._read():
            weight = weights.reading(lot, stream, where, label)
            self.readings += [weight] if weight is not None else []
            self.readings += assays.readings(lot, stream, where, label)
            if isinstance(lot, SizedLotObject):
                self.readings += assays.by_size(lot, stream, where, label)
        self.readings += self._losses()
        self.alike = [*Likenesses(sheet, test, network, self.readings, ledger).all()]
        self._assemble()

    def _models(self) -> dict[str, str]:
        """Declare the errors that hold for all results of a kind as error models."""
        sheet, taken = self.sheet, {model.name for model in self.sheet.error_models}
        units = {c.name: c.unit for c in sheet.components}
        units |= {a.name: a.unit for a in sheet.analytes}
        stated = {MASS: sheet.errors.weighing} | {
            name: error
            for name, error in sheet.errors.assays.items()
            if name in units and error.error_model is None
        }
        models: list[dict[str, Any]] = []
        declared: dict[str, str] = {}
        for name, error in stated.items():
            if error.sd is None and error.relative_sd is None:
                continue
            called = "weighing" if name == MASS else f"assay of {name}"[:LONGEST_NAME]
            while called in taken:
                called = f"{called[: LONGEST_NAME - 1]}'"
            taken.add(called)
            sizes = {"sd": error.sd, "relative_sd": error.relative_sd}
            unit = units.get(name, sheet.mass_unit)
            models.append({k: v for k, v in sizes.items() if v is not None})
            models[-1] |= {"name": called, "unit": unit}
            declared[name] = called
            place = ("weighing",) if name == MASS else ("assays", name)
            self.model_places.append(("errors", *place))
        if sheet.error_models or models:
            self.document["error_models"] = [*_dumped(sheet.error_models), *models]
        return declared

    def _read(self) -> Iterator[tuple[LotObject, str, Where, str]]:
        """Give whatever was weighed or assayed, with the stream that it was."""
        wires = {name: (lot, label) for lot, name, _, label in _lots(self.sheet, self.test)}
        for flow in self.network.flows:
            where = on_sheet(self.sheet, flow.place)
            found = self._lot(flow, {k: lot for k, (lot, _) in wires.items()})
            if found is not None:
                yield found, flow.name, where, self._label(flow, wires)

    def _lot(self, flow: Flow, lots: dict[str | None, LotObject]) -> LotObject | None:
        match flow.place:
            case ("passes", int(i), "fed", int(j)):
                return self.sheet.passes[i].fed[j]
            case ("passes", int(i), "feed"):
                return self.sheet.passes[i].feed
            case (*_, "kept"):
                return getattr(lots[flow.lot], "kept", None)
            case _:
                return lots[flow.lot]

    def _label(self, flow: Flow, wires: dict[str | None, tuple[LotObject, str]]) -> str:
        run = ""
        if flow.run is not None:
            run = in_front(pass_label(flow.run, self.test.passes[flow.run]))
        match flow.place:
            case ("passes", _, "fed", _):
                return f"{run}, fed with '{flow.lot}'"
            case ("passes", _, "feed"):
                return f"{run}, feed"
            case (*_, "kept"):
                return f"{wires[flow.lot][1]}, kept"
            case _:
                return wires[flow.lot][1]

    def _losses(self) -> Iterator[Made]:
        for i, run in enumerate(self.sheet.passes):
            for j, product in enumerate(run.products):
                if product.loss is None or self._is_weighed_loss(product, i, j):
                    continue
                expected, sd = product.loss.expected, product.loss.sd
                reading = {"stream": product.name, "of": MASS, "value": expected, "sd": sd}
                where: Where = ("passes", i, "products", j, "loss")
                members = {"value": (*where, "expected")}
                label = label_of(self.test, i, product.name)
                yield Made(reading, Source(where, label, "loss", members))

    def _is_weighed_loss(self, product: ProductObject, i: int, j: int) -> bool:
        return self.ledger.note_if(
            product.net is not None or product.gross is not None,
            ("passes", i, "products", j, "loss"),
            "loss-and-weight",
            f"{in_front(label_of(self.test, i, product.name))}: it was weighed, and yet a loss is "
            "expected of it.",
            "Leave 'loss' out where it was weighed.",
        )

    def _assemble(self) -> None:
        given = self.sheet.model_dump(by_alias=True, exclude_unset=True)
        self.document |= {k: given[k] for k in _AS_THEY_ARE if k in given}
        for member in ("causes", "controls"):
            if getattr(self.sheet, member):
                self.document[member] = _dumped(getattr(self.sheet, member))
        flowsheet = {k: given[k] for k in _OF_THE_FLOWSHEET if k in given}
        flowsheet["mass_unit"] = self.sheet.mass_unit
        flowsheet["nodes"] = [node.name for node in self.network.nodes]
        flowsheet["streams"] = [_stream(flow) for flow in self.network.flows]
        if self.alike:
            flowsheet["likenesses"] = [one.wire for one in self.alike]
        self.document["flowsheet"] = flowsheet
        self.document["readings"] = [made.reading for made in self.readings]
        self.document |= asked_of(self.sheet, self.network)


def _stream(flow: Flow) -> dict[str, str]:
    ends = {"from": flow.source, "to": flow.target, "kind": _KINDS.get(flow.role)}
    return {"name": flow.name} | {k: v for k, v in ends.items() if v is not None}


def _dumped(models: list[Any]) -> list[dict[str, Any]]:
    return [model.model_dump(by_alias=True, exclude_unset=True) for model in models]
