"""Readings on the wire: what was measured, where, and how well."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.kit.fields import Name, NotNegative, Number, Positive, RelativeSd, Wire
from service.kit.units import UCUM_TEXT

from .errors import SamplingObject
from .words import (
    CauseEntry,
    Density,
    MeasuredDensity,
    MeasuredVolume,
    Names,
    OfEntry,
    ReadingUnit,
    Replicates,
    Stage,
)

Reason = Annotated[str, Field(strict=True, min_length=1, max_length=200)]
Word = Literal["trace", "not detected"]


class GrainObject(Wire):
    """The grains of one mineral that were counted."""

    of: Name = Field(description="Name of the component.", examples=["ilmenite"])
    count: int = Field(
        ge=0, le=10**9, strict=True, description="Number of its grains.", examples=[310]
    )


class CountsObject(Wire):
    """
    Grains counted under a microscope, all of them named.

    Counted grains of one size, and points on a section, measure volumes; densities make them
    masses. Errors are those of a multinomial count.
    """

    basis: Literal["number", "area"] = Field(
        description="'number' (grains of about one size were counted) or 'area' (points on a "
        "section were counted).",
        examples=["number"],
    )
    grains: list[GrainObject] = Field(
        description="The minerals and their grains, at least two; what was looked for and not "
        "found has a count of zero.",
        examples=[[{"of": "ilmenite", "count": 310}, {"of": "zircon", "count": 90}]],
    )


class SurveyObject(Wire):
    """A stock survey: volume times bulk density."""

    volume: MeasuredVolume = Field(
        description="The volume.", examples=[{"value": 420, "sd": 15, "unit": "m3"}]
    )
    bulk_density: MeasuredDensity = Field(
        description="The bulk density, of dry solids unless the reading is of 'wet mass'.",
        examples=[{"value": 1.9, "sd": 0.05, "unit": "t/m3"}],
    )


class StatedError(Wire):
    """
    How well something was measured.

    The error comes from any of its members, which add in squares, and is never less than 'step'
    allows.
    """

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
    error_of: Stage | None = Field(
        default=None,
        description="The stage that 'sd', 'relative_sd', 'error_model' and 'replicates' are of; "
        "leave it out if of sampling and analysis together.",
        examples=["analysis"],
    )
    error_model: Name | None = Field(
        default=None,
        description="Name of one of the request's error models.",
        examples=["XRF of majors"],
    )
    sampling: SamplingObject | None = Field(
        default=None,
        description="The sample, where its fundamental sampling error counts on top.",
        examples=[
            {
                "sample_mass": 250,
                "mass_unit": "g",
                "top_size": {"value": 425, "unit": "um"},
                "liberation_size": {"value": 425, "unit": "um"},
                "mineral_fraction": 0.4,
                "mineral_density": {"value": 7.0, "unit": "g/cm3"},
                "gangue_density": {"value": 4.2, "unit": "g/cm3"},
            }
        ],
    )
    interlaboratory: bool = Field(
        default=False,
        strict=True,
        description="Last resort: the spread between laboratories at this content, far too wide "
        "for X-ray fluorescence of major oxides in fused beads.",
        examples=[True],
    )
    step: Positive | None = Field(
        default=None,
        description="Step to which the value was printed, in its unit: 0.1 for one decimal. The "
        "sd is at least that of the rounding.",
        examples=[0.1],
    )
    causes: list[CauseEntry] = Field(
        default=[],
        description="Errors shared with other readings: names of the request's causes, or "
        "objects with a size of their own.",
        examples=[["weigher A", {"cause": "head split", "sd": 0.3}]],
    )


class _Outcome(Wire):
    """What came out of a measurement."""

    value: Number | None = Field(
        default=None,
        description="The measured value, in the unit of the reading. Null means not measured.",
        examples=[31.2],
    )
    replicates: Replicates | None = Field(
        default=None,
        description="Instead of 'value': determinations of the same thing. Their mean counts, "
        "with the error of a mean; with few of them the spread is pooled over all readings of "
        "the same quantity. With an 'error_model' that tells the spread instead.",
        examples=[[31.2, 31.5, 30.9]],
    )
    below: NotNegative | None = Field(
        default=None,
        description="Instead of 'value': the detection limit that the result is below.",
        examples=[0.05],
    )
    above: Positive | None = Field(
        default=None,
        description="Instead of 'value': the end of the range that the result is above.",
        examples=[60],
    )
    result: Word | None = Field(
        default=None,
        description="Instead of 'value': 'not detected' (below the detection limit of the "
        "component) or 'trace' (below ten thirds of it, where quantification begins).",
        examples=["not detected"],
    )
    unit: ReadingUnit | None = Field(
        default=None,
        description="Unit of value and sd where it is not that of the component, the analyte or "
        "the flowsheet's mass unit, nor % for shares; needed for densities. " + UCUM_TEXT + ".",
        examples=["ppm"],
    )
    left_out: Reason | None = Field(
        default=None,
        description="Why the reading is to be left out, by your decision: it then counts for "
        "nothing, and the reply says so.",
        examples=["sample bag found open"],
    )


class ResultObject(StatedError, _Outcome):
    """
    A result and its error.

    The result is one of 'value', 'replicates', 'below', 'above' and 'result'.
    """


class _PlaceObject(Wire):
    """Where and of what a reading was taken."""

    stream: Names | None = Field(
        default=None,
        description="Name of the stream, or a list of streams that were measured together: one "
        "weigher over several, or a composite sample weighted by mass.",
        examples=["mag 1"],
    )
    stock: Name | None = Field(
        default=None,
        description="Instead of 'stream': the node whose stock was measured.",
        examples=["bin"],
    )
    at: Name | None = Field(
        default=None,
        description="With 'stock': 'opening', 'closing', or the period at whose end it was "
        "measured.",
        examples=["opening"],
    )
    period: Names | None = Field(
        default=None,
        description="The period, or a list of periods that were measured together (a composite "
        "weighted by mass). Needed where there are several.",
        examples=["shift 1"],
    )
    of: OfEntry | None = Field(
        default=None,
        description="What was measured: 'mass' (dry solids), the name of a component or analyte "
        "(its assay), 'water', 'wet mass', 'moisture', 'percent solids', 'pulp density', or an "
        "object for sizes and assays as received.",
        examples=["Sn"],
    )


class ReadingObject(ResultObject, _PlaceObject):
    """
    One measured value and its standard deviation.

    The result is one of 'value', 'replicates', 'below', 'above', 'result', 'counts' and 'survey'.
    Its error comes from any of 'sd', 'relative_sd', 'error_model', 'replicates', 'sampling',
    'interlaboratory' and 'causes', which add in squares, and is never less than 'step' allows.
    """

    counts: CountsObject | None = Field(
        default=None,
        description="Instead of 'of' and 'value': grains counted.",
        examples=[
            {
                "basis": "number",
                "grains": [{"of": "ilmenite", "count": 310}, {"of": "zircon", "count": 90}],
            }
        ],
    )
    survey: SurveyObject | None = Field(
        default=None,
        description="Instead of 'value': the volume and bulk density of a stock.",
        examples=[
            {
                "volume": {"value": 420, "sd": 15, "unit": "m3"},
                "bulk_density": {"value": 1.9, "sd": 0.05, "unit": "t/m3"},
            }
        ],
    )
    solid_density: Density | None = Field(
        default=None,
        description="For a pulp density: the density of these solids, where it is not that of "
        "the flowsheet.",
        examples=[{"value": 2.65, "unit": "g/cm3"}],
    )
