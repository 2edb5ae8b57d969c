"""Streams and stocks of a reply, with everything that came out for them."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from reconcile.balance import Knowledge
from service.kit.replies import Out

from .parts import CLASS_TEXT, SHARE_EXAMPLE, UNIT_TEXT, Amount, Quantity, Share

PERIOD_TEXT = "The period, null where there is one without a name."

_MASS_EXAMPLE = {
    "reading": 905.0,
    "reading_sd": 3.0,
    "value": 908.4,
    "sd": 2.2,
    "adjustment": 3.4,
    "standardised": 1.7,
    "class": "redundant",
    "unit": "g",
}
_ASSAY_EXAMPLE = {
    "component": "Sn",
    "reading": 3.4,
    "reading_sd": 0.102,
    "value": 3.41,
    "sd": 0.1,
    "adjustment": 0.01,
    "standardised": 0.6,
    "class": "redundant",
    "unit": "%",
}
_ANALYTE_EXAMPLE = {"analyte" if k == "component" else k: v for k, v in _ASSAY_EXAMPLE.items()} | {
    "analyte": "TiO2"
}
_AMOUNT_EXAMPLE: dict[str, Any] = {"value": 30.9, "sd": 0.9, "class": "redundant", "unit": "g"}
_COMPONENT_MASS_EXAMPLE = {"component": "Sn"} | _AMOUNT_EXAMPLE
_WATER_EXAMPLE = {
    "mass": _AMOUNT_EXAMPLE,
    "wet_mass": _AMOUNT_EXAMPLE,
    "moisture": SHARE_EXAMPLE,
    "percent_solids": SHARE_EXAMPLE,
}
_SIZE_EXAMPLE = {
    "size": "-500 +250 um",
    "share": SHARE_EXAMPLE,
    "passing": SHARE_EXAMPLE,
    "assays": [
        {"component": "Sn", "value": 3.4, "sd": 0.1, "class": "observable", "unit": "%"},
    ],
}


class _OfComponent(Out):
    component: str = Field(description="Name of the component.", examples=["Sn"])


class _OfAnalyte(Out):
    analyte: str = Field(description="Name of the analyte.", examples=["TiO2"])


# The base that names a thing stands last, so that its member comes first on the wire.


class Mass(Quantity):
    """The mass of dry solids of a stream."""

    unit: str | None = Field(description=UNIT_TEXT, examples=["g"])


class Assay(Quantity, _OfComponent):
    """An assay of a stream."""

    unit: str = Field(description="The component's unit.", examples=["%"])


class AnalyteAssay(Quantity, _OfAnalyte):
    """What a laboratory reports of a stream, as its minerals carry it."""

    unit: str = Field(description="The analyte's unit.", examples=["%"])


class ComponentMass(Amount, _OfComponent):
    """The mass of a component in a stream."""


class ClassAssay(_OfComponent):
    """An assay in one size class, as it follows from the balance."""

    value: float | None = Field(
        description="The assay in 'unit', null where it cannot be known.", examples=[3.4]
    )
    sd: float | None = Field(description="Its standard deviation in 'unit'.", examples=[0.1])
    class_: Knowledge = Field(
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["observable"],
    )
    unit: str = Field(description="The component's unit.", examples=["%"])


class SizeClass(Out):
    """One size class of a stream."""

    size: str = Field(description="The size class.", examples=["-500 +250 um"])
    share: Share = Field(
        description="The class as a percentage of the solids.", examples=[SHARE_EXAMPLE]
    )
    passing: Share = Field(
        description="What passes the lower aperture of the class, as a percentage of the solids.",
        examples=[SHARE_EXAMPLE],
    )
    assays: list[ClassAssay] = Field(
        description="Assays in the class, of the components followed by size.",
        examples=[_SIZE_EXAMPLE["assays"]],
    )


class Water(Out):
    """The water of a stream, and what follows from it."""

    mass: Amount = Field(description="Mass of water.", examples=[_AMOUNT_EXAMPLE])
    wet_mass: Amount = Field(
        description="Mass of solids and water together.", examples=[_AMOUNT_EXAMPLE]
    )
    moisture: Share = Field(
        description="Water as a percentage of the wet mass.", examples=[SHARE_EXAMPLE]
    )
    percent_solids: Share = Field(
        description="Solids as a percentage of the wet mass.", examples=[SHARE_EXAMPLE]
    )


class StreamBalance(Out):
    """A stream with everything that came out for it."""

    name: str = Field(description="Name of the stream.", examples=["mag 1"])
    period: str | None = Field(description=PERIOD_TEXT, examples=["shift 1"])
    from_: str | None = Field(
        validation_alias="from",
        serialization_alias="from",
        description="The node it leaves, null for a feed.",
        examples=["stage 1"],
    )
    to: str | None = Field(
        description="The node it enters, null for a product.", examples=["stage 2"]
    )
    role: Literal["feed", "internal", "product", "loss", "gain", "unaccounted"] = Field(
        description="'feed' comes from outside, 'product' leaves, 'internal' does neither; 'loss', "
        "'gain' and 'unaccounted' as declared.",
        examples=["product"],
    )
    mass: Mass = Field(
        description="Mass of dry solids.",
        examples=[_MASS_EXAMPLE],
    )
    yield_: Share = Field(
        validation_alias="yield",
        serialization_alias="yield",
        description="Mass of the stream as a percentage of all that is fed, opening stocks "
        "included.",
        examples=[SHARE_EXAMPLE],
    )
    assays: list[Assay] = Field(
        description="Its assays, in the order of the flowsheet's components.",
        examples=[[_ASSAY_EXAMPLE]],
    )
    component_masses: list[ComponentMass] = Field(
        description="Masses of the components in it.",
        examples=[[_COMPONENT_MASS_EXAMPLE]],
    )
    analytes: list[AnalyteAssay] = Field(
        description="What a laboratory would report of it; empty without analytes.",
        examples=[[_ANALYTE_EXAMPLE]],
    )
    oxide_total: Share | None = Field(
        description="Sum of the analytes that are oxides; null where there are fewer than two. It "
        "may pass 100 %, as where ferrous iron is reported as Fe2O3.",
        examples=[SHARE_EXAMPLE],
    )
    water: Water | None = Field(
        description="Its water; null where water is not followed.", examples=[_WATER_EXAMPLE]
    )
    sizes: list[SizeClass] = Field(
        description="Its size classes, coarse to fine; empty where sizes are not followed.",
        examples=[[_SIZE_EXAMPLE]],
    )


class Content(Out):
    """How much of something a stock holds, or grew by."""

    mass: Amount = Field(description="Mass of dry solids.", examples=[_AMOUNT_EXAMPLE])
    water: Amount | None = Field(
        description="Mass of water; null where water is not followed.", examples=[_AMOUNT_EXAMPLE]
    )
    component_masses: list[ComponentMass] = Field(
        description="Masses of the components.", examples=[[_COMPONENT_MASS_EXAMPLE]]
    )


CONTENT_EXAMPLE: dict[str, Any] = {
    "mass": _AMOUNT_EXAMPLE,
    "water": None,
    "component_masses": [_COMPONENT_MASS_EXAMPLE],
}


class Stock(Out):
    """A stock over one period."""

    node: str = Field(description="The node that holds it.", examples=["bin"])
    period: str | None = Field(description=PERIOD_TEXT, examples=["shift 1"])
    opening: Content = Field(description="At the start of the period.", examples=[CONTENT_EXAMPLE])
    closing: Content = Field(
        description="At the end of the period, which is the start of the next.",
        examples=[CONTENT_EXAMPLE],
    )
    change: Content = Field(
        description="Closing less opening, with the standard deviation of the difference.",
        examples=[CONTENT_EXAMPLE],
    )


STREAM_EXAMPLE: dict[str, Any] = {
    "name": "mag 1",
    "period": None,
    "from": "stage 1",
    "to": None,
    "role": "product",
    "mass": _MASS_EXAMPLE,
    "yield": SHARE_EXAMPLE,
    "assays": [_ASSAY_EXAMPLE],
    "component_masses": [_COMPONENT_MASS_EXAMPLE],
    "analytes": [],
    "oxide_total": None,
    "water": None,
    "sizes": [],
}
STOCK_EXAMPLE: dict[str, Any] = {
    "node": "bin",
    "period": "shift 1",
    "opening": CONTENT_EXAMPLE,
    "closing": CONTENT_EXAMPLE,
    "change": CONTENT_EXAMPLE,
}
