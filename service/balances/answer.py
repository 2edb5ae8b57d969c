"""From the engine's balance to the reply on the wire: names, trade units, nothing invented."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from typing import Any, Literal

from pydantic import BaseModel

from reconcile import Balance, Estimate, Known, Outcome, Stream, combined_sd
from service.kit.units import UNITS, convert

from .intake import Intake
from .reply import (
    Assay,
    BalanceReply,
    Bound,
    Closure,
    ComponentMass,
    Mass,
    ProductRecovery,
    Recovery,
    Share,
    Solver,
    Split,
    StreamBalance,
    StreamShare,
    Test,
    WorstNode,
)
from .schemas import MASS, BalanceRequest
from .warnings import warnings_of

_PERCENT = 100.0


def _times(number: float | None, factor: float) -> float | None:
    return None if number is None else number * factor


def _share(known: Known) -> dict[str, Any]:
    return {
        "value": _times(known.value, _PERCENT),
        "sd": _times(known.sd, _PERCENT),
        "class_": known.knowledge,
    }


Read = dict[tuple[str, str], tuple[float, float]]


def _as_read(request: BalanceRequest, positions: tuple[int, ...]) -> Read:
    """
    Give each reading and its sd in the unit of the reply.

    A reading already in that unit comes back as the caller wrote it, not after a conversion
    there and back.
    """
    units = {c.name: str(c.unit) for c in request.flowsheet.components}
    read: Read = {}
    for i in positions:
        wire = request.readings[i]
        value = wire.value if wire.value is not None else 0.0
        sd = combined_sd(value, wire.sd, wire.relative_sd)
        into = request.flowsheet.mass_unit if wire.of == MASS else units[wire.of]
        if wire.unit is not None and into is not None and wire.unit != into:
            value, sd = (convert(x, wire.unit, into) for x in (value, sd))
        read[wire.stream, wire.of] = value, sd
    return read


def _quantity(
    estimate: Estimate, factor: float, read: tuple[float, float] | None
) -> dict[str, Any]:
    reading, reading_sd = read if read is not None else (None, None)
    unmoved = reading is not None and estimate.adjustment == 0
    return {
        "reading": reading,
        "reading_sd": reading_sd,
        "value": reading if unmoved else _times(estimate.value, factor),
        "sd": _times(estimate.sd, factor),
        "adjustment": _times(estimate.adjustment, factor),
        "standardised": estimate.standardised,
        "class_": estimate.knowledge,
    }


def _role(stream: Stream) -> Literal["feed", "internal", "product"]:
    if stream.source is None:
        return "feed"
    return "product" if stream.target is None else "internal"


class _Answer:
    """Puts one balance into words; holds what every part of the reply needs."""

    def __init__(self, intake: Intake, balance: Balance) -> None:
        request = intake.request
        self.flowsheet = intake.flowsheet
        self.balance = balance
        self.read = _as_read(request, intake.positions)
        masses_read = any(of == MASS for _, of in self.read)
        self.mass_unit = request.flowsheet.mass_unit if masses_read else None
        self.assay_units = {c.name: str(c.unit) for c in request.flowsheet.components}

    def assays(self, stream: str) -> list[Assay]:
        return [
            Assay(
                component=name,
                unit=unit,
                **_quantity(
                    self.balance.assays[stream, name],
                    UNITS[unit].per_whole,
                    self.read.get((stream, name)),
                ),
            )
            for name, unit in self.assay_units.items()
        ]

    def mass(self, stream: str) -> Mass:
        estimate = self.balance.masses[stream]
        return Mass(unit=self.mass_unit, **_quantity(estimate, 1.0, self.read.get((stream, MASS))))

    def component_masses(self, stream: str) -> list[ComponentMass]:
        masses = self.balance.component_masses
        return [
            ComponentMass(
                component=name,
                value=masses[stream, name].value,
                sd=masses[stream, name].sd,
                class_=masses[stream, name].knowledge,
                unit=self.mass_unit,
            )
            for name in self.assay_units
        ]

    def streams(self) -> list[StreamBalance]:
        return [
            StreamBalance(
                name=stream.name,
                from_=stream.source,
                to=stream.target,
                role=_role(stream),
                mass=self.mass(stream.name),
                yield_=Share(**_share(self.balance.yields[stream.name])),
                assays=self.assays(stream.name),
                component_masses=self.component_masses(stream.name),
            )
            for stream in self.flowsheet.streams
        ]

    def recoveries(self) -> list[Recovery]:
        recoveries = self.balance.recoveries
        return [
            Recovery(
                component=name,
                products=[
                    ProductRecovery(product=p.name, **_share(recoveries[p.name, name]))
                    for p in self.flowsheet.products
                ],
            )
            for name in self.assay_units
        ]

    def splits(self) -> list[Split]:
        leaving: dict[str, list[str]] = defaultdict(list)
        for stream in self.flowsheet.streams:
            if stream.source is not None:
                leaving[stream.source].append(stream.name)
        return [
            Split(
                node=node,
                of=str(quantity),
                streams=[
                    StreamShare(stream=name, **_share(self.balance.splits[name, quantity]))
                    for name in leaving[node]
                ],
            )
            for node in self.flowsheet.nodes
            for quantity in self.flowsheet.quantities
        ]

    def closure(self) -> Closure:
        return Closure(
            worst=[
                WorstNode(
                    of=str(w.of),
                    node=w.node,
                    imbalance=w.imbalance,
                    throughput=w.throughput,
                    unit=self.mass_unit,
                    relative=w.relative,
                )
                for w in self.balance.closure
            ]
        )

    def test(self) -> Test | None:
        test = self.balance.test
        if test is None:
            return None
        return Test(
            statistic=test.statistic,
            degrees_of_freedom=test.degrees_of_freedom,
            p_value=test.p_value,
            reference=test.reference,
        )

    def outcome(self) -> Literal["closed", "closed with active bounds"]:
        bounded = self.balance.outcome is Outcome.CLOSED_WITH_ACTIVE_BOUNDS
        return "closed with active bounds" if bounded else "closed"


def _numbers(value: object) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, BaseModel):
        for inner in value.__dict__.values():
            yield from _numbers(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _numbers(inner)


def is_finite(reply: BalanceReply) -> bool:
    """Tell whether every number of the reply is one that JSON can carry."""
    return all(math.isfinite(number) for number in _numbers(reply))


def answer(intake: Intake, balance: Balance, engine_time_ms: float) -> BalanceReply:
    """
    Give the reply for a balance that closed.

    Assays come in their component's unit, masses in the flowsheet's, shares in percent.
    """
    it = _Answer(intake, balance)
    request = intake.request
    return BalanceReply(
        title=request.title,
        note=request.note,
        outcome=it.outcome(),
        warnings=warnings_of(request, balance),
        streams=it.streams(),
        recoveries=it.recoveries(),
        splits=it.splits(),
        closure=it.closure(),
        test=it.test(),
        active_bounds=[
            Bound(stream=b.stream, of=str(b.of), bound=b.bound) for b in balance.active_bounds
        ],
        solver=Solver(
            iterations=balance.iterations,
            kkt_residual=balance.kkt_residual,
            engine_time_ms=round(engine_time_ms, 3),
        ),
    )
