"""The request on the wire: what a balance takes, and what is to be known better."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.balances.schemas import (
    MINIMAL_EXAMPLE,
    BalanceRequest,
    CareObject,
    EvidenceObject,
    ReadingObject,
    SeriesObject,
)
from service.balances.schemas.words import Names, OfEntry, ReadingUnit
from service.kit.fields import Name, NotNegative, Number, Positive, RelativeSd, Wire

Kind = Literal["addition", "repeat", "improvement"]

_PERIOD = "The period, or a list of several. Needed where there are several."


class TargetObject(Wire):
    """A figure that is to be known better."""

    stream: Names = Field(
        description="Name of the stream, or a list of streams taken together.", examples=["nonmag"]
    )
    period: Names | None = Field(default=None, description=_PERIOD, examples=["shift 1"])
    figure: Literal["value", "recovery", "yield"] = Field(
        default="value",
        description="'value' (the mass, the assay or whatever else 'of' names), 'recovery' (of the "
        "component in the feed) or 'yield' (of the solids in the feed).",
        examples=["recovery"],
    )
    of: OfEntry | None = Field(
        default=None,
        description="What it is of, as for a reading; the component of a recovery. Leave it out "
        "for a yield.",
        examples=["Sn"],
    )
    sd: Positive | None = Field(
        default=None,
        description="The standard deviation wanted: percentage points for recoveries and yields, "
        "else in the unit of the component, the analyte or the mass. Of several targets "
        "each counts by its sd over this one, or over its present sd.",
        examples=[0.25],
    )


class DetectionObject(Wire):
    """The power to find a bias of any one reading."""

    bias: Positive = Field(
        default=0.1, le=10, description="The bias as a fraction of the value.", examples=[0.1]
    )
    level: float = Field(
        default=0.05,
        gt=0,
        lt=1,
        strict=True,
        allow_inf_nan=False,
        description="Chance of any false alarm over all readings together.",
        examples=[0.05],
    )
    power: float = Field(
        default=0.9,
        gt=0,
        lt=1,
        strict=True,
        allow_inf_nan=False,
        description="Power wished for.",
        examples=[0.9],
    )
    aim: Literal["least power", "readings reached"] = Field(
        default="least power",
        description="What the plan raises first: the least power over all readings that "
        "candidates can check, or the number of readings that reach the power wished for.",
        examples=["readings reached"],
    )


class CandidateObject(Wire):
    """A reading that could be taken."""

    stream: Names | None = Field(
        default=None,
        description="Name of the stream, or a list of streams measured together.",
        examples=["middling 2"],
    )
    stock: Name | None = Field(
        default=None, description="Instead of 'stream': a node with a stock.", examples=["bin"]
    )
    at: Name | None = Field(
        default=None,
        description="With 'stock': 'opening', 'closing', or the period at whose end.",
        examples=["closing"],
    )
    period: Names | None = Field(default=None, description=_PERIOD, examples=["shift 1"])
    of: OfEntry = Field(description="What would be measured, as for a reading.", examples=["Sn"])
    unit: ReadingUnit | None = Field(
        default=None, description="Unit of its sd, as for a reading.", examples=["ppm"]
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Its standard deviation. Without any sd, a repeat has that of its reading, and "
        "another that of its like.",
        examples=[0.3],
    )
    relative_sd: RelativeSd | None = Field(
        default=None,
        description="Its standard deviation as a fraction of the value expected.",
        examples=[0.01],
    )
    improves: bool = Field(
        default=False,
        strict=True,
        description="Whether it takes the place of the reading at hand, with a smaller sd, instead "
        "of standing beside it.",
        examples=[True],
    )
    cost: Positive | None = Field(
        default=None,
        description="Its cost, in any one unit; by 'costs' if left out.",
        examples=[2.5],
    )
    at_most: int = Field(
        default=1,
        ge=1,
        le=1000,
        strict=True,
        description="How many may be taken, each with an error of its own.",
        examples=[3],
    )


class CostObject(Wire):
    """What candidates of some kind cost; of several entries that fit, the last counts."""

    kind: Kind | None = Field(
        default=None,
        description="'addition', 'repeat' or 'improvement'; all of them if left out.",
        examples=["improvement"],
    )
    stream: Names | None = Field(
        default=None, description="The streams; all if left out.", examples=["handling loss"]
    )
    of: OfEntry | None = Field(
        default=None, description="What is measured; all if left out.", examples=["mass"]
    )
    cost: Positive | None = Field(
        description="The cost, in any one unit; null where it cannot be taken, or not safely.",
        examples=[2.5],
    )


class DesignObject(Wire):
    """A value expected, where nothing has been read yet."""

    stream: Names = Field(description="Name of the stream, or a list.", examples=["feed"])
    period: Names | None = Field(default=None, description=_PERIOD, examples=["shift 1"])
    of: OfEntry = Field(description="What it is of, as for a reading.", examples=["mass"])
    value: Number = Field(description="The value expected.", examples=[2500])
    unit: ReadingUnit | None = Field(
        default=None, description="Its unit, as for a reading.", examples=["kg"]
    )

    def as_reading(self) -> ReadingObject:
        """Give it as a reading of wide error, which sets the point and informs of nothing."""
        sd = max(DESIGN_SD * abs(self.value), SMALLEST_DESIGN_SD)
        own = self.model_dump(exclude_unset=True, by_alias=True)
        return ReadingObject.model_validate(own | {"sd": sd})


DESIGN_SD = 0.01
"""Relative sd by which design values that do not quite balance are weighed against each other."""

SMALLEST_DESIGN_SD = 1e-6
"""The same for a value of zero, in its unit."""


class SamplingPlanRequest(BalanceRequest):
    """A flowsheet, what is known of it, and what is to be known better."""

    readings: list[ReadingObject] = Field(
        default=[],
        description="The readings at hand; at most one of each quantity of each stream.",
        examples=[[{"stream": "feed", "of": "mass", "value": 2500, "sd": 5}]],
    )
    evidence: EvidenceObject = Field(
        default=EvidenceObject(),
        description="As for a balance; a plan tells no evidence, so it plays no part here.",
        examples=[{"level": 0.01}],
    )
    performance: list[SeriesObject] = Field(
        default=[],
        description="As for a balance; a plan does not tell it, so it plays no part here.",
        examples=[[{"feed": "feed", "products": ["mag 1", "nonmag"]}]],
    )
    care: CareObject | None = Field(
        default=None,
        description="As for a balance; a plan does not tell it, so it plays no part here.",
        examples=[{"work": ["magnetic"]}],
    )
    design: list[DesignObject] = Field(
        default=[],
        description="Values expected of what has not been read. They say where the balance lies "
        "and inform of nothing; with them alone a survey is planned from scratch.",
        examples=[[{"stream": "feed", "of": "mass", "value": 2500}]],
    )
    targets: list[TargetObject] = Field(
        default=[],
        description="Figures to be known better; or give 'detection'.",
        examples=[[{"stream": "nonmag", "figure": "recovery", "of": "Sn", "sd": 0.25}]],
    )
    detection: DetectionObject | None = Field(
        default=None,
        description="Instead of 'targets': the power to find a bias of any reading at hand.",
        examples=[{"bias": 0.1, "level": 0.05, "power": 0.9}],
    )
    candidates: list[CandidateObject] | None = Field(
        default=None,
        description="Readings that could be taken. Left out: every unread mass and assay, a repeat "
        "of every reading, and half the sd of each.",
        examples=[[{"stream": "nonmag", "of": "Sn", "cost": 2, "at_most": 3}]],
    )
    costs: list[CostObject] = Field(
        default=[],
        description="Costs of candidates that name none; 1 unless an entry here fits.",
        examples=[[{"kind": "improvement", "cost": 3}, {"stream": "dust", "cost": None}]],
    )
    budget: NotNegative = Field(
        default=0,
        description="What the plan may cost. With nothing to spend, candidates are ranked alone.",
        examples=[5],
    )


PLAN_EXAMPLE = MINIMAL_EXAMPLE | {
    "targets": [{"stream": "nonmag", "figure": "recovery", "of": "Sn", "sd": 0.25}],
    "costs": [{"kind": "improvement", "cost": 3}],
    "budget": 5,
}
"""A complete request that fits on a screen, for the interactive documentation."""
