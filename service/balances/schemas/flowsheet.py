"""The flowsheet on the wire: nodes, streams, and what is followed through them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

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
from service.kit.units import UCUM_TEXT, AssayUnit, LengthUnit, MassUnit, ucum_text

from .words import Density, Names

_FORMULA_TEXT = "such as FeTiO3, Ca5(PO4)3F or Fe0.9Ti1.1O3"


class NodeObject(Wire):
    """A node: a separator, a sump, a splitter, or any place where streams meet or part."""

    name: Name = Field(
        description="Name of the node, unlike any other node's.", examples=["stage 1"]
    )
    alters: list[Name] = Field(
        default=[],
        description="What the node does not conserve: 'sizes' (a mill, an attritioner), 'water' "
        "(a dryer), or components that react. Everything else balances at it.",
        examples=[["sizes"]],
    )
    stock: bool = Field(
        default=False,
        strict=True,
        description="Whether the node holds a stock that may grow or shrink, such as a bin, a "
        "stockpile or a thickener.",
        examples=[True],
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
    carries: Literal["water", "dry solids"] | None = Field(
        default=None,
        description="What alone it holds: 'water' (a water addition) or 'dry solids' (no water). "
        "Leave it out for a stream of both, where water is followed.",
        examples=["water"],
    )
    kind: Literal["loss", "gain", "unaccounted"] | None = Field(
        default=None,
        description="A 'loss' leaves and a 'gain' enters without being a product or a feed (dust, "
        "spillage, sample taken out, make-up); 'unaccounted' is the difference that nothing "
        "explains, and may be negative. Read a loss with its sd if something is known of it.",
        examples=["loss"],
    )


class ContentObject(Wire):
    """How much of an analyte a mineral carries."""

    analyte: Name = Field(description="Name of the analyte.", examples=["TiO2"])
    value: Number = Field(
        description="Content by mass, in 'unit'; a loss on ignition may be negative.",
        examples=[54.5],
    )
    sd: NotNegative = Field(
        default=0.0,
        description="Standard deviation of the content, in 'unit'. Above zero, the content is "
        "reconciled with everything else; zero takes it as exact.",
        examples=[1.0],
    )
    unit: AssayUnit = Field(
        default="%", description=f"Unit of value and sd. {UCUM_TEXT}.", examples=["%"]
    )


class ComponentObject(Wire):
    """A component that is followed: an element, an oxide or a mineral."""

    name: Name = Field(
        description="Name of the component, unlike any other's; not 'mass'.", examples=["ZrO2"]
    )
    unit: AssayUnit = Field(
        default="%",
        description="Unit of its assays, by mass of dry solids, in readings and in the reply. "
        + UCUM_TEXT
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
    formula: Name | None = Field(
        default=None,
        description=f"For a mineral: its formula, {_FORMULA_TEXT}. It gives the contents of all "
        "analytes that have a formula, unless 'contents' says otherwise. Natural minerals "
        "deviate from their formula, some by much.",
        examples=["ZrSiO4"],
    )
    contents: list[ContentObject] = Field(
        default=[],
        description="For a mineral: how much of each analyte it carries, as measured. They stand "
        "before those of the formula; an analyte in neither is not in the mineral.",
        examples=[[{"analyte": "TiO2", "value": 54.5, "sd": 1.0}]],
    )
    density: Density | None = Field(
        default=None,
        description="Density of its grains; needed where grains of it are counted.",
        examples=[{"value": 4.7, "unit": "g/cm3"}],
    )
    detection_limit: Positive | None = Field(
        default=None,
        description="Detection limit of its assay, in its unit, by convention three standard "
        "deviations of the blank; needed where a result is a word.",
        examples=[0.05],
    )


class AnalyteObject(Wire):
    """What a laboratory reports and minerals carry: an element, an oxide, a loss on ignition."""

    name: Name = Field(
        description="Name of the analyte, unlike that of any component.", examples=["TiO2"]
    )
    unit: AssayUnit = Field(
        default="%",
        description=f"Unit of its assays in readings and in the reply. {UCUM_TEXT}.",
        examples=["%"],
    )
    formula: Name | None = Field(
        default=None,
        description="What it is reported as, such as Fe2O3; several joined by a plus sign, such "
        "as ZrO2+HfO2. Leave it out where the name is the formula, or where there is none, as "
        "for a loss on ignition.",
        examples=["ZrO2+HfO2"],
    )
    detection_limit: Positive | None = Field(
        default=None,
        description="Detection limit of its assay, in its unit, by convention three standard "
        "deviations of the blank; needed where a result is a word.",
        examples=[0.01],
    )


class SizesObject(Wire):
    """The size classes that are followed: between the apertures of a series of screens."""

    unit: LengthUnit = Field(
        description=f"Unit of the apertures. {ucum_text(('um', 'mm', 'in'))}.", examples=["um"]
    )
    apertures: list[Positive] = Field(
        description="Apertures of the screens, any series.", examples=[[500, 250, 125, 63]]
    )
    components: list[Name] = Field(
        default=[],
        description="Components that are followed class by class, so that assays and recoveries "
        "by size come out.",
        examples=[["Sn"]],
    )


NodeEntry = Annotated[NodeObject, BeforeValidator(name_or_object), OrName()]
ComponentEntry = Annotated[ComponentObject, BeforeValidator(name_or_object), OrName()]
AnalyteEntry = Annotated[AnalyteObject, BeforeValidator(name_or_object), OrName()]


class ClosureObject(Wire):
    """Components that together make up the whole of the dry solids."""

    components: list[Name] = Field(
        description="The components. One that is never read, such as 'gangue', takes whatever "
        "the others leave.",
        examples=[["ilmenite", "zircon", "gangue"]],
    )
    streams: list[Name] | None = Field(
        default=None,
        description="The streams; leave it out for all. With an 'sd' each says so by itself.",
        examples=[["feed"]],
    )
    sd: Positive | None = Field(
        default=None,
        description="How nearly they make up the whole, as a standard deviation in %. Leave it "
        "out to have them make it up exactly.",
        examples=[0.3],
    )
    total: Positive = Field(
        default=100.0,
        description="What they make up, in %; other than 100 only with an sd.",
        examples=[99.5],
    )


class AlikeObject(Wire):
    """One of several streams of about the same grades."""

    stream: Names = Field(
        description="Name of the stream, or several put together.", examples=["split A"]
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="How far its grades may be from those that all share, as a fraction of them: "
        "0.02 is 2 %.",
        examples=[0.02],
    )
    sd: Positive | None = Field(
        default=None,
        description="The same in the unit of the component; both add in squares.",
        examples=[0.1],
    )


def _name_as_stream(value: object) -> object:
    return {"stream": value} if isinstance(value, str) else value


AlikeEntry = Annotated[AlikeObject, BeforeValidator(_name_as_stream), OrName()]


class LikenessObject(Wire):
    """
    Streams of about the same grades, whatever these are: parts of one lot, dust and its feed.

    Each is so far from grades that they share, and of which nothing else is known. So two of them
    differ by the errors of both. Components that were assayed nowhere are passed over.
    """

    streams: list[AlikeEntry] = Field(
        description="The streams, two or more.", examples=[["split A", "split B"]]
    )
    components: list[Name] | None = Field(
        default=None,
        description="The components or analytes; left out, all that were assayed anywhere.",
        examples=[["Sn"]],
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="What holds for streams that say nothing of their own, as a fraction of the "
        "grade. The grade is the mean of their assays, or else of all assays.",
        examples=[0.02],
    )
    sd: Positive | None = Field(
        default=None,
        description="The same in the unit of the component; both add in squares.",
        examples=[0.1],
    )


class OrderObject(Wire):
    """An order of grades that the caller vouches for."""

    component: Name = Field(description="Name of the component.", examples=["ilmenite"])
    stream: Name = Field(description="The richer stream.", examples=["mag 1"])
    at_least_as_rich_as: Name = Field(
        description="The stream that it is at least as rich as.", examples=["feed"]
    )


class FlowsheetObject(Wire):
    """The flowsheet: nodes joined by streams, and what is followed through them."""

    mass_unit: MassUnit | None = Field(
        default=None,
        description="Unit of all masses in the reply, and in readings that name no other. Needed "
        "as soon as a mass is read. " + UCUM_TEXT + ".",
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
    analytes: list[AnalyteEntry] = Field(
        default=[],
        description="What the laboratory reports where the components are minerals: each a name "
        "(in %), or an object with a name, a unit and a formula.",
        examples=[["TiO2", {"name": "LOI"}]],
    )
    water: bool = Field(
        default=False,
        strict=True,
        description="Whether water is followed, so that moistures, wet masses and pulp densities "
        "can be read.",
        examples=[True],
    )
    water_density: Density = Field(
        default=Density(value=1.0, unit="g/cm3"),
        description="Density of the water, for pulp densities.",
        examples=[{"value": 0.998, "unit": "g/cm3"}],
    )
    solid_density: Density | None = Field(
        default=None,
        description="Density of the solids, for pulp densities of readings that name no other.",
        examples=[{"value": 2.65, "unit": "g/cm3"}],
    )
    sizes: SizesObject | None = Field(
        default=None,
        description="The size classes, where sizes are followed.",
        examples=[{"unit": "um", "apertures": [500, 250, 125]}],
    )
    closures: list[ClosureObject] = Field(
        default=[],
        description="Components that make up the whole of the solids.",
        examples=[[{"components": ["ilmenite", "zircon", "gangue"]}]],
    )
    likenesses: list[LikenessObject] = Field(
        default=[],
        description="Streams of about the same grades.",
        examples=[[{"streams": ["split A", "split B"], "relative_sd": 0.02}]],
    )
    orders: list[OrderObject] = Field(
        default=[],
        description="Orders of grades, only where the caller vouches for them.",
        examples=[[{"component": "ilmenite", "stream": "mag 1", "at_least_as_rich_as": "feed"}]],
    )
