"""The request on the wire: a flowsheet and the readings taken on it."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from reconcile import SOLIDS
from service.kit.fields import (
    Name,
    NotNegative,
    Number,
    OrName,
    Positive,
    RelativeSd,
    Wire,
    name_or_object,
)
from service.kit.units import (
    ASSAY_UNITS,
    MASS_UNITS,
    UCUM_TEXT,
    AnyUnit,
    AssayUnit,
    MassUnit,
    ucum_text,
)

MASS = SOLIDS
"""The word by which readings and replies name the dry solids."""

SHORTEST_TIME_BUDGET_S = 1e-3
"""Shortest time that can be asked for; the smallest balance takes about as long."""


class NodeObject(Wire):
    """A node: a separator, a sump, a splitter, or any place where streams meet or part."""

    name: Name = Field(
        description="Name of the node, unlike any other node's.", examples=["stage 1"]
    )


class StreamObject(Wire):
    """A stream: without 'from' it is a feed, without 'to' a product."""

    name: Name = Field(
        description="Name of the stream, unlike any other stream's.", examples=["mag 1"]
    )
    from_: Name | None = Field(
        default=None,
        alias="from",
        description="The node it leaves; leave it out for a feed of the flowsheet.",
        examples=["stage 1"],
    )
    to: Name | None = Field(
        default=None,
        description="The node it enters; leave it out for a product of the flowsheet.",
        examples=["stage 2"],
    )


class ComponentObject(Wire):
    """A component that is assayed: an element, an oxide or a mineral."""

    name: Name = Field(
        description="Name of the component, unlike any other's; not 'mass'.", examples=["ZrO2"]
    )
    unit: AssayUnit = Field(
        default="%",
        description="Unit of its assays, by mass of dry solids, in readings and in the reply. "
        + ucum_text(ASSAY_UNITS)
        + ".",
        examples=["%"],
    )
    theoretical: Positive | None = Field(
        default=None,
        description="Content of the component in the pure mineral that carries it, in the "
        "component's unit. An assay above it brings a warning, not a refusal, since minerals "
        "alter and substitute.",
        examples=[67.2],
    )


NodeEntry = Annotated[NodeObject, BeforeValidator(name_or_object), OrName()]
ComponentEntry = Annotated[ComponentObject, BeforeValidator(name_or_object), OrName()]


class FlowsheetObject(Wire):
    """The flowsheet: nodes joined by streams, and the components assayed."""

    mass_unit: MassUnit | None = Field(
        default=None,
        description="Unit of all masses of dry solids in the reply, and in readings that name "
        "no other. Needed as soon as a mass is read. " + ucum_text(MASS_UNITS) + ".",
        examples=["g"],
    )
    nodes: list[NodeEntry] = Field(
        description="The nodes: each a name, or an object with a name.",
        examples=[["stage 1", "stage 2"]],
    )
    streams: list[StreamObject] = Field(
        description="The streams; losses are streams too, never silent.",
        examples=[[{"name": "feed", "to": "stage 1"}, {"name": "mag 1", "from": "stage 1"}]],
    )
    components: list[ComponentEntry] = Field(
        default=[],
        description="The components: each a name (assayed in %), or an object with a name and "
        "a unit. Leave it out for a balance of masses alone.",
        examples=[["Sn", {"name": "ThO2", "unit": "ppm"}]],
    )


class ReadingObject(Wire):
    """
    One measured value and its standard deviation.

    Give 'sd', 'relative_sd' or both; both count as sqrt(sd² + (relative_sd · value)²).
    """

    stream: Name = Field(description="Name of the stream.", examples=["mag 1"])
    of: Name = Field(
        description="What was measured: 'mass' (dry solids) or the name of a component (its "
        "assay).",
        examples=["Sn"],
    )
    value: Number | None = Field(
        description="The measured value, in the unit of the reading. Null means not measured.",
        examples=[31.2],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Standard deviation, in the unit of the value. Zero fixes the value.",
        examples=[0.4],
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="Standard deviation as a fraction of the value: 0.02 is 2 %.",
        examples=[0.02],
    )
    unit: AnyUnit | None = Field(
        default=None,
        description="Unit of value and sd where it is not that of the component or the "
        "flowsheet's mass unit. " + UCUM_TEXT + ".",
        examples=["ppm"],
    )


class OptionsObject(Wire):
    """Options of the calculation."""

    time_budget_s: float | None = Field(
        default=None,
        ge=SHORTEST_TIME_BUDGET_S,
        strict=True,
        allow_inf_nan=False,
        description="Longest time for the calculation in seconds; the service has a limit of "
        "its own, which stands if it is less.",
        examples=[10],
    )


class BalanceRequest(Wire):
    """A flowsheet and the readings taken on it."""

    title: str | None = Field(
        default=None,
        strict=True,
        max_length=200,
        description="A title; it comes back in the reply.",
        examples=["Tin-shed concentrate, three magnetic stages"],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=2000,
        description="A note; it comes back in the reply.",
        examples=["Invented data."],
    )
    flowsheet: FlowsheetObject = Field(
        description="The flowsheet.",
        examples=[
            {
                "mass_unit": "g",
                "nodes": ["stage 1"],
                "streams": [
                    {"name": "feed", "to": "stage 1"},
                    {"name": "mag 1", "from": "stage 1"},
                    {"name": "nonmag", "from": "stage 1"},
                ],
                "components": ["Sn"],
            }
        ],
    )
    readings: list[ReadingObject] = Field(
        description="The readings; at most one of each quantity of each stream.",
        examples=[[{"stream": "feed", "of": "mass", "value": 2500, "sd": 5}]],
    )
    options: OptionsObject | None = Field(
        default=None,
        description="Options of the calculation.",
        examples=[{"time_budget_s": 10}],
    )


MINIMAL_EXAMPLE = {
    "title": "One magnetic stage",
    "note": "Invented data.",
    "flowsheet": {
        "mass_unit": "g",
        "nodes": ["stage 1"],
        "streams": [
            {"name": "feed", "to": "stage 1"},
            {"name": "mag 1", "from": "stage 1"},
            {"name": "nonmag", "from": "stage 1"},
        ],
        "components": ["Sn"],
    },
    "readings": [
        {"stream": "feed", "of": "mass", "value": 2500, "sd": 5},
        {"stream": "mag 1", "of": "mass", "value": 905, "sd": 3},
        {"stream": "nonmag", "of": "mass", "value": 1588, "sd": 4},
        {"stream": "feed", "of": "Sn", "value": 31.2, "relative_sd": 0.02},
        {"stream": "mag 1", "of": "Sn", "value": 3.4, "relative_sd": 0.03},
        {"stream": "nonmag", "of": "Sn", "value": 48.1, "relative_sd": 0.02},
    ],
}
"""A complete request that fits on a screen, for the interactive documentation."""
