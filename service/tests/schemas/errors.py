"""How well things were weighed and assayed where a result says nothing else."""

from __future__ import annotations

from pydantic import Field

from service.balances.schemas import MaterialObject, StatedError
from service.balances.schemas.words import CauseEntry
from service.kit.fields import Name, NotNegative, Positive, RelativeSd, Wire


class WeighingErrorObject(Wire):
    """The error of a single weighing."""

    sd: NotNegative | None = Field(
        default=None,
        description="The part that stays, in the sheet's mass unit.",
        examples=[0.5],
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="The part that grows with the weight, as a fraction.",
        examples=[0.0005],
    )
    step: Positive | None = Field(
        default=None,
        description="Step to which weights were written down: 0.1 for one decimal. The sd is at "
        "least that of the rounding.",
        examples=[0.1],
    )
    causes: list[CauseEntry] = Field(
        default=[],
        description="Errors that all weighings share, such as the calibration of the balance: "
        "names of the sheet's causes, or objects with a size of their own.",
        examples=[[{"cause": "balance", "relative_sd": 0.0005}]],
    )


class ApartObject(Wire):
    """How far the grades of what was parted may be apart."""

    relative_sd: RelativeSd | None = Field(
        default=None, description="As a fraction of the grade.", examples=[0.02]
    )
    sd: Positive | None = Field(
        default=None,
        description="In the unit of the component; both add in squares.",
        examples=[0.1],
    )


class SplittingErrorObject(Wire):
    """
    How far a part of a lot may be from the grade of the lot.

    It holds for lots of which parts were fed, and for passes whose kind is 'splitting'.
    """

    relative_sd: RelativeSd | None = Field(
        default=None, description="As a fraction of the grade.", examples=[0.01]
    )
    components: dict[Name, ApartObject] = Field(
        default={},
        description="What holds for a component or an analyte instead.",
        examples=[{"Au": {"relative_sd": 0.1}}],
    )
    grains: MaterialObject | None = Field(
        default=None,
        description="What was parted, where the fundamental sampling error of each part by its "
        "weight counts on top (Gy). Both the part and the lot have to be weighed.",
        examples=[
            {
                "top_size": {"value": 425, "unit": "um"},
                "liberation_size": {"value": 425, "unit": "um"},
                "mineral_fraction": 0.4,
                "mineral_density": {"value": 7.0, "unit": "g/cm3"},
                "gangue_density": {"value": 4.2, "unit": "g/cm3"},
            }
        ],
    )


class ErrorsObject(Wire):
    """
    The errors that hold where a result says nothing of its own.

    A result that states its error in any way goes by that alone; causes of its own likewise stand
    in for those given here.
    """

    weighing: WeighingErrorObject = Field(
        default=WeighingErrorObject(),
        description="The error of a weighing; gross and tare are one each.",
        examples=[{"sd": 0.5}],
    )
    assays: dict[Name, StatedError] = Field(
        default={},
        description="The error of a single determination by the name of the component or analyte, "
        "'sd' in its unit. Replicates count with the error of a mean.",
        examples=[{"Sn": {"sd": 0.03, "relative_sd": 0.012}}],
    )
    shares: StatedError | None = Field(
        default=None,
        description="The error of the share of a size class in a screen analysis, 'sd' in %.",
        examples=[{"sd": 0.3, "relative_sd": 0.01}],
    )
    splitting: SplittingErrorObject | None = Field(
        default=None,
        description="How far parts of a lot may be from its grade; needed where a lot was parted.",
        examples=[{"relative_sd": 0.01}],
    )
