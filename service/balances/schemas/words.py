"""Words and small objects that several parts of a request share."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError

from reconcile import SOLIDS
from service.kit.fields import Name, NotNegative, Number, OrName, Positive, RelativeSd, Wire
from service.kit.units import (
    AnyUnit,
    DensityUnit,
    LengthUnit,
    VolumeUnit,
    convert,
    ucum_text,
)

MASS = SOLIDS
"""The word by which readings and replies name the dry solids."""

WATER_MASS = "water"
WET_MASS = "wet mass"
MOISTURE = "moisture"
PERCENT_SOLIDS = "percent solids"
PULP_DENSITY = "pulp density"
SIZES = "sizes"

OF_WATER = (WATER_MASS, WET_MASS, MOISTURE, PERCENT_SOLIDS, PULP_DENSITY)
"""What can be read only where the flowsheet follows water."""

RESERVED = (MASS, *OF_WATER, SIZES)
"""Words that name something of a stream and so can name no component or analyte."""

ReadingUnit = Literal[AnyUnit, DensityUnit]

Stage = Literal["sampling", "analysis", "weighing"]
_STAGE_TEXT = "The stage at which the error arises: 'sampling', 'analysis' or 'weighing'."


class OrNames:
    """Marks in the contract that a plain name may stand for a list of one."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give either the name or the list."""
        listed = handler(core_schema)
        return {"anyOf": [listed["items"], listed]}


def _listed(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    return value if isinstance(value, list) or value is None else [value]


Names = Annotated[list[Name], BeforeValidator(_listed), OrNames()]
"""A name, or a list of names."""


LEAST_DENSITY, GREATEST_DENSITY = 10.0, 25_000.0
"""Densities between which all matter handled lies, in kg/m3: fumes to osmium (22,590)."""


class _HasDensity(Wire):
    """A density that something can have."""

    @model_validator(mode="after")
    def _is_of_matter(self) -> Self:
        """Refuse what is out of range in its unit."""
        value, unit = getattr(self, "value", 0.0), getattr(self, "unit", "kg/m3")
        if not LEAST_DENSITY <= convert(value, unit, "kg/m3") <= GREATEST_DENSITY:
            what = f"No material has a density of {value:g} {unit}."
            mend = "Check the value and its unit; water has 1000 kg/m3 or 1 g/cm3."
            context = {"what": what, "mend": mend}
            raise PydanticCustomError("density-out-of-range", "{what}", context)
        return self


class Density(_HasDensity):
    """A density with its unit."""

    value: Positive = Field(description="The density, in 'unit'.", examples=[2.65])
    sd: NotNegative = Field(
        default=0.0,
        description="Its standard deviation, in 'unit'; all readings that use it share the error.",
        examples=[0.02],
    )
    unit: DensityUnit = Field(
        description=f"Unit of value and sd. {ucum_text(('kg/m3', 't/m3', 'g/cm3', 'lb/ft3'))}.",
        examples=["g/cm3"],
    )


class _Measured(Wire):
    value: Positive = Field(description="The measured value, in 'unit'.", examples=[42.5])
    sd: NotNegative | None = Field(
        default=None, description="Its standard deviation, in 'unit'.", examples=[1.5]
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="Its standard deviation as a fraction of the value.",
        examples=[0.03],
    )


class MeasuredVolume(_Measured):
    """A volume with its standard deviation."""

    unit: VolumeUnit = Field(
        description=f"Unit of value and sd. {ucum_text(('m3', 'L', 'mL', 'cm3', 'ft3'))}.",
        examples=["m3"],
    )


class MeasuredDensity(_Measured, _HasDensity):
    """A bulk density with its standard deviation."""

    unit: DensityUnit = Field(
        description=f"Unit of value and sd. {ucum_text(('kg/m3', 't/m3', 'g/cm3', 'lb/ft3'))}.",
        examples=["t/m3"],
    )


class Length(Wire):
    """A size with its unit."""

    value: Positive = Field(description="The size, in 'unit'.", examples=[425])
    unit: LengthUnit = Field(
        description=f"Unit of the value. {ucum_text(('um', 'mm', 'in'))}.", examples=["um"]
    )


class Size(Wire):
    """
    Size classes taken together: all below a screen, all above it, or all between two.

    Sizes are apertures of the flowsheet's series, in its unit.
    """

    passing: Positive | None = Field(
        default=None, description="All that passes this aperture.", examples=[125]
    )
    retained: Positive | None = Field(
        default=None, description="All that is retained on this aperture.", examples=[125]
    )
    from_: Positive | None = Field(
        default=None,
        alias="from",
        description="With 'to': retained on this aperture, and passing 'to'.",
        examples=[63],
    )
    to: Positive | None = Field(
        default=None,
        description="With 'from': passing this aperture, and retained on 'from'.",
        examples=[125],
    )


class Of(Wire):
    """
    What was measured.

    A plain word is short for an object with 'quantity' alone.
    """

    quantity: Name | None = Field(
        default=None,
        description=f"One of {', '.join(repr(w) for w in (MASS, *OF_WATER))}, or the name of a "
        "component or an analyte (its assay). Leave it out, with 'size' given, for the share of "
        "the solids in these sizes.",
        examples=["Sn"],
    )
    size: Size | None = Field(
        default=None,
        description="The size classes that were measured on their own.",
        examples=[{"passing": 125}],
    )
    basis: Literal["dry", "as received"] = Field(
        default="dry",
        description="What an assay refers to: the dry solids, or the wet mass as received.",
        examples=["as received"],
    )


def _word_as_object(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    return {"quantity": value} if isinstance(value, str) else value


OfEntry = Annotated[Of, BeforeValidator(_word_as_object), OrName()]


class Cause(Wire):
    """A shared error at work in one reading, with its size there."""

    cause: Name = Field(
        description="Name of the shared cause; readings that name the same one share the error.",
        examples=["head split"],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Standard deviation that it brings to this reading, in the reading's unit.",
        examples=[0.3],
    )
    relative_sd: RelativeSd | None = Field(
        default=None, description="The same as a fraction of the value.", examples=[0.01]
    )
    stage: Stage | None = Field(default=None, description=_STAGE_TEXT, examples=["sampling"])


def _cause_as_object(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    return {"cause": value} if isinstance(value, str) else value


CauseEntry = Annotated[Cause, BeforeValidator(_cause_as_object), OrName()]

Replicates = list[Number]
