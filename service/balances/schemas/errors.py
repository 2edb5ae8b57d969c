"""Where errors come from, on the wire: models, samples, controls and shared causes."""

from __future__ import annotations

from pydantic import Field

from service.kit.fields import Name, NotNegative, Number, Positive, RelativeSd, Wire
from service.kit.units import UCUM_TEXT, MassUnit

from .words import Density, Length, ReadingUnit, Replicates, Stage

_UNIT_TEXT = "{use}. " + UCUM_TEXT + "."


class MaterialObject(Wire):
    """Grains, as far as the fundamental error of a sample of them depends on them (Gy)."""

    top_size: Length = Field(
        description="The aperture that passes 95 % of the mass.",
        examples=[{"value": 425, "unit": "um"}],
    )
    liberation_size: Length = Field(
        description="The size at which the mineral is free of the gangue.",
        examples=[{"value": 150, "unit": "um"}],
    )
    mineral_fraction: Positive = Field(
        lt=1,
        description="Mass fraction of the mineral (cassiterite, not tin) in what was sampled.",
        examples=[0.4],
    )
    mineral_density: Density = Field(
        description="Density of the mineral.", examples=[{"value": 7.0, "unit": "g/cm3"}]
    )
    gangue_density: Density = Field(
        description="Density of the rest.", examples=[{"value": 4.2, "unit": "g/cm3"}]
    )
    shape_factor: Positive = Field(
        default=0.5,
        le=1,
        description="Volume of a grain over the cube of its size: 0.5 for most, 0.2 for flakes.",
        examples=[0.5],
    )
    range_factor: Positive = Field(
        default=0.25,
        le=1,
        description="Spread of sizes: 0.25 for an unsized product, 0.5 to 0.75 between two "
        "screens.",
        examples=[0.25],
    )


class _SampleObject(Wire):
    sample_mass: Positive = Field(
        description="Mass of the sample that was taken, in 'mass_unit'.", examples=[250]
    )
    lot_mass: Positive | None = Field(
        default=None,
        description="Mass of what it was taken from, in 'mass_unit'; leave it out if much larger.",
        examples=[2500],
    )
    mass_unit: MassUnit = Field(
        description=_UNIT_TEXT.format(use="Unit of the masses"), examples=["g"]
    )


class SamplingObject(MaterialObject, _SampleObject):
    """A sample of grains, as far as its fundamental sampling error depends on it (Gy)."""


class ErrorModelObject(Wire):
    """
    An error that readings refer to by name.

    Either stated by 'sd', 'relative_sd' or both, or learnt from 'duplicates' at several levels.
    """

    name: Name = Field(description="Name of the model.", examples=["XRF of majors"])
    sd: NotNegative | None = Field(
        default=None, description="The part that stays, in 'unit'.", examples=[0.03]
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="The part that grows with the value, as a fraction.",
        examples=[0.01],
    )
    duplicates: list[Replicates] = Field(
        default=[],
        description="Pairs of determinations of one sample each, in 'unit', at several levels: "
        "both parts are fitted to them. At least three pairs.",
        examples=[[[31.2, 31.5], [3.41, 3.38], [0.52, 0.55]]],
    )
    unit: ReadingUnit | None = Field(
        default=None,
        description=_UNIT_TEXT.format(use="Unit of sd and duplicates; needed with either"),
        examples=["%"],
    )


class CauseObject(Wire):
    """An error that several readings share: one weigher, one assay batch, one sample or split."""

    name: Name = Field(description="Name of the cause.", examples=["weigher A"])
    sd: NotNegative | None = Field(
        default=None,
        description="Standard deviation that it brings to each of its readings, in 'unit'.",
        examples=[0.2],
    )
    relative_sd: RelativeSd | None = Field(
        default=None, description="The same as a fraction of each reading.", examples=[0.005]
    )
    unit: ReadingUnit | None = Field(
        default=None,
        description=_UNIT_TEXT.format(use="Unit of sd; needed with it"),
        examples=["%"],
    )
    stage: Stage | None = Field(
        default=None,
        description="The stage at which the error arises: 'sampling', 'analysis' or 'weighing'. "
        "By itself it is weighing for masses and analysis for the rest.",
        examples=["sampling"],
    )


class ControlObject(Wire):
    """
    A control sample or a blank that the laboratory read with a batch.

    It says how large the shared error of the batch is; a blank has a certified value of zero.
    """

    name: Name = Field(description="Name of the control sample.", examples=["control ore 7"])
    cause: Name = Field(
        description="The shared cause, declared under 'causes', that it bears on.",
        examples=["assay batch 12"],
    )
    certified: Number = Field(
        description="Its certified value, in 'unit'; zero for a blank.", examples=[25.14]
    )
    certified_sd: NotNegative = Field(
        description="Standard deviation of the certified value, in 'unit'.", examples=[0.06]
    )
    value: Number | None = Field(
        default=None, description="What the batch read on it, in 'unit'.", examples=[25.3]
    )
    replicates: Replicates | None = Field(
        default=None,
        description="What the batch read on it, where it was read several times.",
        examples=[[25.3, 25.2, 25.4]],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Standard deviation of a single determination, in 'unit'; with replicates "
        "it stands before their own spread.",
        examples=[0.1],
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="The same as a fraction of the certified value.",
        examples=[0.005],
    )
    unit: ReadingUnit = Field(
        description=_UNIT_TEXT.format(use="Unit of its values"), examples=["%"]
    )
