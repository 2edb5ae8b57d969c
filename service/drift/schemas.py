"""The request on the wire: a flowsheet once, and the readings of many shifts."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from service.balances.schemas import FlowsheetObject, ReadingObject
from service.balances.schemas.common import CalculationOptions, Causes, ErrorModels, Titled
from service.balances.schemas.words import Names, OfEntry
from service.kit.fields import Name, Number, Wire

AVERAGE_RUN_LENGTH = 2000.0
"""Shifts between false alarms unless the caller says otherwise: two years of three shifts a day."""

DESIGN_SHIFT = 1.0
"""Mean of a standardised adjustment to be found soonest, unless the caller says otherwise."""


def _listed(value: object) -> object:
    return value if isinstance(value, list) or value is None else [value]


OfEntries = Annotated[list[OfEntry], BeforeValidator(_listed)]


class InstrumentObject(Wire):
    """
    Readings that have one instrument or sample point, so that its error is in all of them.

    It has all readings of its streams that are of its quantities; either may be left out.
    """

    name: Name = Field(description="Its name.", examples=["tailing sampler"])
    stream: Names | None = Field(
        default=None,
        description="The stream, or a list of streams, that it reads; left out, all of them.",
        examples=["final tailing"],
    )
    of: OfEntries | None = Field(
        default=None,
        description="What it reads, one or a list; left out, everything there.",
        examples=[["Cu", "S"]],
    )


class ShiftObject(Wire):
    """One shift: its name, and what was read in it."""

    name: Name = Field(description="Its name, for example a date.", examples=["2026-03-01 day"])
    values: list[Number | None] = Field(
        default=[],
        description="The values of the request's 'readings', in their order; null where one was "
        "not read. Left out, none of them was.",
        examples=[[151.2, 3.71, None]],
    )
    readings: list[ReadingObject] = Field(
        default=[],
        description="Further readings of this shift, or all of them, each in full.",
        examples=[[{"stream": "final tailing", "of": "Cu", "value": 0.05, "sd": 0.005}]],
    )


class DriftOptionsObject(CalculationOptions):
    """Options of the charts and of the calculation."""

    average_run_length: float = Field(
        default=AVERAGE_RUN_LENGTH,
        ge=50,
        le=1e7,
        strict=True,
        allow_inf_nan=False,
        description="Shifts between false alarms on average, all charts together, while nothing "
        "is wrong.",
        examples=[2000],
    )
    design_shift: float = Field(
        default=DESIGN_SHIFT,
        ge=0.2,
        le=4,
        strict=True,
        allow_inf_nan=False,
        description="The mean of a standardised adjustment that is to be found soonest.",
        examples=[1.0],
    )
    paths: bool = Field(
        default=False,
        strict=True,
        description="Whether the course of every chart comes back, shift by shift, to be plotted.",
        examples=[True],
    )


class DriftRequest(Titled):
    """A flowsheet, and the readings of many shifts of it."""

    flowsheet: FlowsheetObject = Field(
        description="The flowsheet, as in a balance.",
        examples=[
            {
                "mass_unit": "t/h",
                "nodes": ["stage 1"],
                "streams": [
                    {"name": "feed", "to": "stage 1"},
                    {"name": "mag 1", "from": "stage 1"},
                    {"name": "nonmag", "from": "stage 1"},
                ],
            }
        ],
    )
    error_models: ErrorModels = Field(default=[])
    causes: Causes = Field(
        default=[],
        description="Causes of errors that readings of one shift share; every shift has its own "
        "draw of each.",
    )
    instruments: list[InstrumentObject] = Field(
        default=[],
        description="Readings that belong to one instrument or sample point. A reading that none "
        "of them has is an instrument of its own, over all shifts.",
        examples=[[{"name": "tailing sampler", "stream": "final tailing", "of": ["Cu", "S"]}]],
    )
    readings: list[ReadingObject] = Field(
        default=[],
        description="What is read in every shift, each with its error but without a value; the "
        "values stand in the shifts.",
        examples=[[{"stream": "feed", "of": "mass", "relative_sd": 0.01}]],
    )
    shifts: list[ShiftObject] = Field(
        description="The shifts, in the order of time.",
        examples=[[{"name": "2026-03-01 day", "values": [151.2]}]],
    )
    options: DriftOptionsObject | None = Field(
        default=None,
        description="Options of the charts and of the calculation.",
        examples=[{"average_run_length": 2000}],
    )


_VALUES = (
    (100.4, 40.1, 59.8),
    (99.3, 39.6, 60.9),
    (101.2, 40.7, 60.3),
    (98.9, 39.2, 59.6),
    (100.1, 40.2, 60.1),
    (102.0, 40.5, 61.1),
    (99.0, 40.0, 59.2),
    (100.8, 39.9, 60.6),
    (97.9, 39.4, 58.9),
    (99.6, 39.8, 60.2),
)

MINIMAL_EXAMPLE = {
    "title": "One magnetic stage, ten shifts",
    "note": "Invented data.",
    "flowsheet": {
        "mass_unit": "t/h",
        "nodes": ["stage 1"],
        "streams": [
            {"name": "feed", "to": "stage 1"},
            {"name": "mag 1", "from": "stage 1"},
            {"name": "nonmag", "from": "stage 1"},
        ],
    },
    "readings": [
        {"stream": "feed", "of": "mass", "sd": 1},
        {"stream": "mag 1", "of": "mass", "sd": 0.5},
        {"stream": "nonmag", "of": "mass", "sd": 0.5},
    ],
    "shifts": [
        {"name": f"shift {number}", "values": list(values)}
        for number, values in enumerate(_VALUES, start=1)
    ],
}
"""A complete request that fits on a screen, for the interactive documentation."""
