"""How well things were weighed and assayed where a result says nothing else."""

from __future__ import annotations

from pydantic import Field

from service.balances.schemas import StatedError
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
