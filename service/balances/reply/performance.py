"""What was separated, on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from reconcile.balance import Knowledge
from service.kit.replies import Out

from .parts import CLASS_TEXT, SHARE_EXAMPLE, Share

Basis = Literal["mineral", "component", "analyte"]

_GRADE = {"value": 3.41, "sd": 0.1, "class": "observable", "unit": "%"}
_RATIO = {"value": 0.11, "sd": 0.003, "class": "observable", "unit": "1"}
_PLACE: dict[str, Any] = {
    "product": "mag 1",
    "grade": _GRADE,
    "recovery": SHARE_EXAMPLE,
    "enrichment": _RATIO,
    "gangue_recovery": SHARE_EXAMPLE,
    "separation_efficiency": SHARE_EXAMPLE,
}
_POINT: dict[str, Any] = {
    "product": "nonmag",
    "recovery": SHARE_EXAMPLE,
    "grade": _GRADE,
    "correlation": 0.49,
}
_CORNER = {"recovery": 100.0, "grade": 78.8}
_CURVE: dict[str, Any] = {
    "begins_with": "the last product",
    "unit": "%",
    "points": [_POINT],
    "level": 0.95,
    "radius": 2.448,
    "perfect": [_CORNER],
    "splitting": [{"recovery": 100.0, "grade": 31.4}],
    "statement": "Sn collects over the last products: read the curve from 'nonmag' on.",
}
_YIELD: dict[str, Any] = {"product": "mag 1", "alone": SHARE_EXAMPLE, "cumulative": SHARE_EXAMPLE}
_SEPARATION: dict[str, Any] = {
    "of": "Sn",
    "basis": "component",
    "size": None,
    "unit": "%",
    "pure": 78.8,
    "head": _GRADE,
    "products": [_PLACE],
    "cumulative": [_PLACE],
    "curve": _CURVE,
    "statement": "Sn: 'nonmag' holds 83.30 ± 0.28 % of it at 59.89 ± 0.53 %, 1.909 ± 0.007 times "
    "the head.",
}
_HEAD: dict[str, Any] = {
    "stream": "feed",
    "of": "Sn",
    "unit": "%",
    "pointer": "/readings/3",
    "assayed": 31.2,
    "assayed_sd": 0.5,
    "calculated": 31.44,
    "calculated_sd": 0.28,
    "difference": -0.24,
    "difference_sd": 0.57,
    "standardised": -0.42,
    "p_value": 0.67,
    "among_all": 1.0,
    "statement": "Sn of 'feed': read 31.20 ± 0.50 %, calculated 31.44 ± 0.28 %; they agree "
    "(difference -0.24 ± 0.57 %, p = 0.67).",
}
_PART: dict[str, Any] = {"of": "ilmenite", "share": SHARE_EXAMPLE, "recovery": SHARE_EXAMPLE}
_MAKEUP: dict[str, Any] = {
    "product": "mag 1",
    "basis": "mineral",
    "parts": [_PART],
    "rest": SHARE_EXAMPLE,
    "statement": "'mag 1' is 91.2 ± 0.6 % ilmenite; beside it 5.1 ± 0.3 % garnet.",
}
_SERIES: dict[str, Any] = {
    "name": "feed",
    "feed": ["feed"],
    "products": ["mag 1", "nonmag"],
    "statements": ["All of the feed's solids are in these products."],
    "elsewhere": SHARE_EXAMPLE,
    "yields": [{"size": None, "products": [_YIELD]}],
    "separations": [_SEPARATION],
    "heads": [_HEAD],
    "makeup": [_MAKEUP],
}


class Figure(Out):
    """A figure that follows from the balance, in its unit."""

    value: float | None = Field(
        description="The value in 'unit', null where it cannot be known.", examples=[3.41]
    )
    sd: float | None = Field(description="Its standard deviation in 'unit'.", examples=[0.1])
    class_: Knowledge = Field(
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["observable"],
    )
    unit: str = Field(description="Unit of value and sd; '1' for a plain ratio.", examples=["%"])


class SeriesYield(Out):
    """The share of the feed's solids in one product."""

    product: str = Field(description="Name of the product.", examples=["mag 1"])
    alone: Share = Field(description="Its yield.", examples=[SHARE_EXAMPLE])
    cumulative: Share = Field(
        description="The yield of all products up to and with it.", examples=[SHARE_EXAMPLE]
    )


class SizeYields(Out):
    """Yields in all sizes, or in one size class."""

    size: str | None = Field(
        description="The size class; null for all sizes together.", examples=["-63 um"]
    )
    products: list[SeriesYield] = Field(description="The products, in order.", examples=[[_YIELD]])


class SeparationPlace(Out):
    """One product, or all products up to and with one."""

    product: str = Field(
        description="Name of the product, or of the last of them.", examples=["mag 1"]
    )
    grade: Figure = Field(
        description="Content in the solids of the product, or of those products together.",
        examples=[_GRADE],
    )
    recovery: Share = Field(
        description="Share of what the feed holds of it.", examples=[SHARE_EXAMPLE]
    )
    enrichment: Figure = Field(
        description="Enrichment ratio: the grade over that of the feed.", examples=[_RATIO]
    )
    gangue_recovery: Share | None = Field(
        description="Share of the feed's gangue, which is all that is not the pure mineral; null "
        "where the content of the pure mineral is not given.",
        examples=[SHARE_EXAMPLE],
    )
    separation_efficiency: Share | None = Field(
        description="Recovery of the mineral less that of the gangue (Schulz 1970), in percent; "
        "null likewise.",
        examples=[SHARE_EXAMPLE],
    )


class CurvePoint(Out):
    """One point of a grade-recovery curve."""

    product: str = Field(description="The product added last.", examples=["nonmag"])
    recovery: Share = Field(
        description="Recovery to all products so far.", examples=[SHARE_EXAMPLE]
    )
    grade: Figure = Field(description="Their grade together.", examples=[_GRADE])
    correlation: float | None = Field(
        description="Correlation of the errors of recovery and grade; null where one of them has "
        "none.",
        examples=[0.49],
    )


class LimitPoint(Out):
    """A corner of a limiting curve."""

    recovery: float = Field(description="Recovery in %.", examples=[100.0])
    grade: float = Field(description="Grade, in the unit of the curve.", examples=[78.8])


class GradeRecoveryCurve(Out):
    """
    The grade-recovery curve over the products added up, between its limits.

    The errors of a point lie in an ellipse: recovery = r + radius · sd_r · cos t, grade = g +
    radius · sd_g · (correlation · cos t + sqrt(1 - correlation²) · sin t), for t from 0 to 2 π. It
    covers the true point with the probability 'level', each point by itself.
    """

    begins_with: Literal["the first product", "the last product"] = Field(
        description="The end from which products are added up: the one at which it collects.",
        examples=["the last product"],
    )
    unit: str = Field(description="Unit of the grades.", examples=["%"])
    points: list[CurvePoint] = Field(
        description="The points, in the order in which products are added.", examples=[[_POINT]]
    )
    level: float = Field(description="Probability that an ellipse covers.", examples=[0.95])
    radius: float = Field(
        description="Its half axes in standard deviations: the root of the chi-square quantile "
        "with two degrees of freedom.",
        examples=[2.448],
    )
    perfect: list[LimitPoint] | None = Field(
        description="Perfect separation: the pure mineral up to all of it, then gangue is added "
        "until the head is reached. Null where the content of the pure mineral or the head is not "
        "known.",
        examples=[[_CORNER]],
    )
    splitting: list[LimitPoint] | None = Field(
        description="Plain splitting, which separates nothing: the grade of the head throughout.",
        examples=[[{"recovery": 100.0, "grade": 31.4}]],
    )
    statement: str = Field(description="How to read it.", examples=[_CURVE["statement"]])


class SeparationFigures(Out):
    """Where a mineral, component or analyte of the feed went."""

    of: str = Field(description="Name of the component or analyte.", examples=["Sn"])
    basis: Basis = Field(
        description="'mineral' (a component that is a mineral), 'component' (any other) or "
        "'analyte' (in all minerals that carry it).",
        examples=["component"],
    )
    size: str | None = Field(
        description="The size class; null for all sizes together.", examples=["-63 um"]
    )
    unit: str = Field(description="Unit of the grades.", examples=["%"])
    pure: float | None = Field(
        description="Its content in the pure mineral, in 'unit', by which separation efficiencies "
        "are reckoned; null where it is not given.",
        examples=[78.8],
    )
    head: Figure = Field(description="Its grade in the feed, reconciled.", examples=[_GRADE])
    products: list[SeparationPlace] = Field(
        description="The products one by one.", examples=[[_PLACE]]
    )
    cumulative: list[SeparationPlace] = Field(
        description="The products added up from the first.", examples=[[_PLACE]]
    )
    curve: GradeRecoveryCurve = Field(description="The grade-recovery curve.", examples=[_CURVE])
    statement: str = Field(
        description="The main thing in a sentence.", examples=[_SEPARATION["statement"]]
    )


class HeadComparison(Out):
    """
    A head as read beside the head as calculated from everything else.

    Calculated is what the balance says without this one reading: from the products, and from all
    else that was read.  Errors that the reading shares with others (one batch of assays) bear on
    both alike and are left out of the comparison.
    """

    stream: str = Field(description="The stream of the feed.", examples=["feed"])
    of: str = Field(description="'mass' or the component or analyte.", examples=["Sn"])
    unit: str | None = Field(description="Unit of the values.", examples=["%"])
    pointer: str = Field(
        description="Where the reading stands in the request, as a JSON pointer.",
        examples=["/readings/3"],
    )
    assayed: float | None = Field(
        description="What was read, in 'unit'; the weight where 'of' is 'mass'.", examples=[31.2]
    )
    assayed_sd: float | None = Field(
        description="Standard deviation of the reading's own error, in 'unit'.", examples=[0.5]
    )
    calculated: float | None = Field(
        description="What everything else says of it, in 'unit'; null where it says nothing.",
        examples=[31.44],
    )
    calculated_sd: float | None = Field(
        description="Its standard deviation, in 'unit'.", examples=[0.28]
    )
    difference: float | None = Field(
        description="Read less calculated, in 'unit'.", examples=[-0.24]
    )
    difference_sd: float | None = Field(
        description="Its standard deviation; the two are independent.", examples=[0.57]
    )
    standardised: float | None = Field(
        description="The difference in units of its sd; a standard normal deviate if the stated "
        "errors are right.",
        examples=[-0.42],
    )
    p_value: float | None = Field(
        description="Probability of so large a difference or larger, either way, if the stated "
        "errors are right.",
        examples=[0.67],
    )
    among_all: float | None = Field(
        description="The same with all comparisons of the series taken into account (Holm 1979).",
        examples=[1.0],
    )
    statement: str = Field(description="The same in words.", examples=[_HEAD["statement"]])


class PartOfProduct(Out):
    """What a product holds of one mineral or component."""

    of: str = Field(description="The mineral or component.", examples=["ilmenite"])
    share: Share = Field(description="Its share of the product's solids.", examples=[SHARE_EXAMPLE])
    recovery: Share = Field(
        description="The share of what the feed holds of it that is here.", examples=[SHARE_EXAMPLE]
    )


class Makeup(Out):
    """What a product is made of, the most first: the first is what it is, the rest dilutes it."""

    product: str = Field(description="Name of the product.", examples=["mag 1"])
    basis: Literal["mineral", "component"] = Field(
        description="What it is described by: minerals where there are any, otherwise components.",
        examples=["mineral"],
    )
    parts: list[PartOfProduct] = Field(
        description="What it holds, the most first; what cannot be known comes last.",
        examples=[[_PART]],
    )
    rest: Share = Field(
        description="The share of its solids that is none of these.", examples=[SHARE_EXAMPLE]
    )
    statement: str = Field(description="The same in words.", examples=[_MAKEUP["statement"]])


class SeriesPerformance(Out):
    """What was separated along one series of products."""

    name: str = Field(description="Name of the series.", examples=["feed"])
    feed: list[str] = Field(
        description="The streams that all shares are of, taken together.", examples=[["feed"]]
    )
    products: list[str] = Field(
        description="The products, in the order in which they are added up.",
        examples=[["mag 1", "nonmag"]],
    )
    statements: list[str] = Field(
        description="What should be known to read the figures, in sentences.",
        examples=[["All of the feed's solids are in these products."]],
    )
    elsewhere: Share = Field(
        description="Share of the feed's solids that is in none of the products.",
        examples=[SHARE_EXAMPLE],
    )
    yields: list[SizeYields] = Field(
        description="Yields; by size class too where sizes are followed and no node alters them.",
        examples=[[{"size": None, "products": [_YIELD]}]],
    )
    separations: list[SeparationFigures] = Field(
        description="What was separated: each component, each analyte, and each component in each "
        "size class where it is followed class by class.",
        examples=[[_SEPARATION]],
    )
    heads: list[HeadComparison] = Field(
        description="Heads as read beside heads as calculated.", examples=[[_HEAD]]
    )
    makeup: list[Makeup] = Field(description="What each product is made of.", examples=[[_MAKEUP]])


PERFORMANCE_EXAMPLE = _SERIES
