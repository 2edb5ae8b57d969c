"""The whole reply on the wire: the reconciled balance, by name."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.kit.replies import Out, Titled

from .care import CARE_EXAMPLE, Care
from .evidence import Evidence
from .parts import SHARE_EXAMPLE, UNIT_TEXT, Quantity, Share
from .performance import PERFORMANCE_EXAMPLE, SeriesPerformance
from .readings import READING_EXAMPLE, ReadingResult
from .streams import PERIOD_TEXT, STOCK_EXAMPLE, STREAM_EXAMPLE, Stock, StreamBalance

TOLERANCE = 1e-9
"""Each quantity closes to this fraction of its own throughput."""

ESTIMATOR = (
    "Weighted least squares over all masses and assays at once, subject to the balances at "
    "every node; variances are the stated ones, relative errors evaluated at the reading and "
    "not re-evaluated at the estimate."
)

NOTICE = "A balance is not a certificate for custody transfer."

_OF_TEXT = "'mass', 'water' or the name of a component."
_SIZE_TEXT = "The size class it is of; null for the whole."
_RECOVERY_EXAMPLE: dict[str, Any] = {
    "component": "Sn",
    "products": [{"product": "mag 1", "period": None} | SHARE_EXAMPLE],
}
_SPLIT_EXAMPLE: dict[str, Any] = {
    "node": "stage 1",
    "period": None,
    "of": "mass",
    "size": None,
    "streams": [{"stream": "mag 1"} | SHARE_EXAMPLE],
}
_IMBALANCE_EXAMPLE: dict[str, Any] = {
    "of": "Sn",
    "size": None,
    "node": "stage 2",
    "imbalance": 2.3e-13,
    "throughput": 780.0,
    "unit": "g",
    "relative": 2.9e-16,
}
_CONTENT_EXAMPLE: dict[str, Any] = {
    "component": "ilmenite",
    "analyte": "TiO2",
    "unit": "%",
    "reading": 54.5,
    "reading_sd": 1.0,
    "value": 54.1,
    "sd": 0.6,
    "adjustment": -0.4,
    "standardised": -0.5,
    "class": "redundant",
}
_SHARED_EXAMPLE: dict[str, Any] = {
    "name": "assay batch 12",
    "value": 0.8,
    "sd": 0.4,
    "statement": "assay batch 12: +0.8 ± 0.4 of its standard deviation.",
}
_REMEDY_EXAMPLE: dict[str, Any] = {
    "unknown": ["mass of 'mag 1'"],
    "readings": [["mass of 'mag 1'"], ["Sn of 'mag 1'", "Sn of 'feed'"]],
    "smallest": True,
}


class _OfProduct(Out):
    product: str = Field(description="Name of the product stream.", examples=["nonmag"])
    period: str | None = Field(description=PERIOD_TEXT, examples=["shift 1"])


class _OfStream(Out):
    stream: str = Field(description="Name of the stream.", examples=["mag 1"])


class ProductRecovery(Share, _OfProduct):
    """What part of a component's feed goes to one product."""


class Recovery(Out):
    """Where a component of the feed goes."""

    component: str = Field(description="Name of the component.", examples=["Sn"])
    products: list[ProductRecovery] = Field(
        description="Its recovery to each product, as a percentage of the component in the "
        "total feed.",
        examples=[[{"product": "nonmag", "period": None} | SHARE_EXAMPLE]],
    )


class SizeRecovery(Out):
    """Where a size class of the feed goes."""

    of: str = Field(description=_OF_TEXT, examples=["Sn"])
    size: str = Field(description="The size class.", examples=["-63 um"])
    products: list[ProductRecovery] = Field(
        description="Its recovery to each product, as a percentage of what the total feed holds "
        "of it in this class.",
        examples=[[{"product": "nonmag", "period": None} | SHARE_EXAMPLE]],
    )


class StreamShare(Share, _OfStream):
    """What part of what enters a node leaves it by one stream."""


class Split(Out):
    """How a quantity that enters a node is shared among the streams that leave it."""

    node: str = Field(description="Name of the node.", examples=["stage 1"])
    period: str | None = Field(description=PERIOD_TEXT, examples=["shift 1"])
    of: str = Field(description=_OF_TEXT, examples=["mass"])
    size: str | None = Field(description=_SIZE_TEXT, examples=["-63 um"])
    streams: list[StreamShare] = Field(
        description="The share of each stream that leaves the node, as a percentage of what "
        "enters it.",
        examples=[[{"stream": "mag 1"} | SHARE_EXAMPLE]],
    )


class WorstNode(Out):
    """The worst imbalance of one quantity."""

    of: str = Field(description=_OF_TEXT, examples=["Sn"])
    size: str | None = Field(description=_SIZE_TEXT, examples=["-63 um"])
    node: str = Field(description="The node with the worst imbalance.", examples=["stage 2"])
    imbalance: float = Field(
        description="What enters the node less what leaves it, in 'unit'.", examples=[2.3e-13]
    )
    throughput: float = Field(
        description="Throughput of the quantity, in 'unit'.", examples=[780.0]
    )
    unit: str | None = Field(description=UNIT_TEXT, examples=["g"])
    relative: float = Field(
        description="Size of the imbalance as a fraction of the throughput.", examples=[2.9e-16]
    )


class Closure(Out):
    """How well the balance closes."""

    tolerance: float = Field(
        default=TOLERANCE,
        description="Each quantity closes to this fraction of its throughput, or there is no "
        "balance.",
        examples=[TOLERANCE],
    )
    worst: list[WorstNode] = Field(
        description="The worst node of each quantity.", examples=[[_IMBALANCE_EXAMPLE]]
    )


class Test(Out):
    """The global test: are the adjustments, taken together, as large as the stated errors say."""

    statistic: float = Field(
        description="Sum of the squared adjustments, each in units of its reading's sd.",
        examples=[5.3],
    )
    degrees_of_freedom: int = Field(
        description="Number of independent checks that the balances put on the readings.",
        examples=[6],
    )
    p_value: float | None = Field(
        description="Probability of a statistic so large or larger if the stated errors are "
        "right; null where there is no check or no reference distribution.",
        examples=[0.51],
    )
    reference: str = Field(
        description="The distribution that the p-value refers to, and what qualifies it.",
        examples=["chi-square with 6 degrees of freedom"],
    )


class Bound(Out):
    """A physical bound that holds an estimate."""

    stream: str = Field(description="Name of the stream.", examples=["nonmag"])
    of: str = Field(description=_OF_TEXT, examples=["WO3"])
    size: str | None = Field(description=_SIZE_TEXT, examples=["-63 um"])
    bound: str = Field(
        description="'zero' (nothing of it), 'whole' (it is all of what holds it) or 'order' (no "
        "richer than the stream it was said to be at least as rich as).",
        examples=["zero"],
    )


class Solver(Out):
    """How the solver got there."""

    iterations: int = Field(description="Number of iterations.", examples=[5])
    kkt_residual: float = Field(
        description="Scaled residual of the optimality conditions at the solution, without unit.",
        examples=[3.1e-12],
    )
    engine_time_ms: float | None = Field(
        description="Time spent in the engine, in milliseconds; null in what is kept, since it "
        "is never the same twice.",
        examples=[4.2],
    )


class MineralContent(Quantity):
    """How much of an analyte a mineral carries, where that was given with an sd."""

    component: str = Field(description="The mineral.", examples=["ilmenite"])
    analyte: str = Field(description="The analyte.", examples=["TiO2"])
    unit: str = Field(description="The analyte's unit.", examples=["%"])


class SharedErrorEstimate(Out):
    """What the readings say about an error that several of them share."""

    name: str = Field(description="Name of the cause.", examples=["assay batch 12"])
    value: float = Field(
        description="Its estimate in units of its own standard deviation.", examples=[0.8]
    )
    sd: float = Field(
        description="Standard deviation of the estimate, in the same; 1 where the readings say "
        "nothing.",
        examples=[0.4],
    )
    statement: str = Field(
        description="The estimate in words.",
        examples=["assay batch 12: +0.8 ± 0.4 of its standard deviation."],
    )


class RemedySets(Out):
    """Further readings that would make unknown quantities known."""

    unknown: list[str] = Field(
        description="What is unknown and would become known.", examples=[["mass of 'mag 1'"]]
    )
    readings: list[list[str]] = Field(
        description="Sets of readings, each enough by itself.",
        examples=[_REMEDY_EXAMPLE["readings"]],
    )
    smallest: bool = Field(
        description="Whether no smaller set exists; otherwise none of a set can be left out.",
        examples=[True],
    )


class SecondOptimum(Out):
    """Another optimum of a robust fit that is not convex."""

    objective: float = Field(description="Its objective.", examples=[31.4])
    discounted: list[str] = Field(
        description="The readings that it discounts, as JSON pointers.", examples=[["/readings/3"]]
    )


class BalanceReply(Titled):
    """A reconciled balance."""

    outcome: Literal["closed", "closed with active bounds"] = Field(
        description="'closed', or 'closed with active bounds' where a physical bound holds an "
        "estimate. Anything else is a problem, not a balance.",
        examples=["closed"],
    )
    estimator: str = Field(
        default=ESTIMATOR, description="The estimator, in words.", examples=[ESTIMATOR]
    )
    statements: list[str] = Field(
        description="What should be known to read the balance, in sentences: unaccounted "
        "differences, oxide totals, how results below a limit count.",
        examples=[["The unaccounted difference is +1.2 ± 0.4 t."]],
    )
    warnings: list[str] = Field(
        description="What to look at, in sentences.",
        examples=[["The assay of WO3 in 'nonmag' is negative (-0.01 %)."]],
    )
    streams: list[StreamBalance] = Field(
        description="The streams, in the order of the request, period by period.",
        examples=[[STREAM_EXAMPLE]],
    )
    stocks: list[Stock] = Field(
        description="The stocks, period by period; empty where there are none.",
        examples=[[STOCK_EXAMPLE]],
    )
    readings: list[ReadingResult] = Field(
        description="The readings, in the order of the request; those of null left out.",
        examples=[[READING_EXAMPLE]],
    )
    recoveries: list[Recovery] = Field(
        description="The recovery of each component to each product.",
        examples=[[_RECOVERY_EXAMPLE]],
    )
    recoveries_by_size: list[SizeRecovery] = Field(
        description="The recovery of each size class to each product; empty where sizes are not "
        "followed, or some node alters them.",
        examples=[[{"of": "Sn", "size": "-63 um", "products": _RECOVERY_EXAMPLE["products"]}]],
    )
    splits: list[Split] = Field(
        description="For each node and quantity that it conserves, the share of each stream that "
        "leaves it.",
        examples=[[_SPLIT_EXAMPLE]],
    )
    contents: list[MineralContent] = Field(
        description="Contents of minerals that were given with an sd, reconciled.",
        examples=[[_CONTENT_EXAMPLE]],
    )
    shared_errors: list[SharedErrorEstimate] = Field(
        description="The errors that readings share, as estimated.", examples=[[_SHARED_EXAMPLE]]
    )
    remedies: list[RemedySets] = Field(
        description="What to read so that what is unknown becomes known.",
        examples=[[_REMEDY_EXAMPLE]],
    )
    second_optimum: SecondOptimum | None = Field(
        description="Another optimum of a robust fit, where one was met.",
        examples=[{"objective": 31.4, "discounted": ["/readings/3"]}],
    )
    closure: Closure = Field(
        description="How well each quantity closes, at its worst node.",
        examples=[{"tolerance": TOLERANCE, "worst": [_IMBALANCE_EXAMPLE]}],
    )
    test: Test | None = Field(
        description="The global test of all adjustments together.",
        examples=[
            {
                "statistic": 5.3,
                "degrees_of_freedom": 6,
                "p_value": 0.51,
                "reference": "chi-square with 6 degrees of freedom",
            }
        ],
    )
    evidence: Evidence | None = Field(
        description="What may be wrong, how sure that is, and what each decision would do; null "
        "if the request does without.",
        examples=[None],
    )
    performance: list[SeriesPerformance] = Field(
        description="What was separated along each series that was asked for.",
        examples=[[PERFORMANCE_EXAMPLE]],
    )
    care: Care | None = Field(
        description="What needs care; null if it was not asked for.", examples=[CARE_EXAMPLE]
    )
    active_bounds: list[Bound] = Field(
        description="The physical bounds that hold an estimate.",
        examples=[[{"stream": "nonmag", "of": "WO3", "size": None, "bound": "zero"}]],
    )
    solver: Solver = Field(
        description="Iterations, residual and time of the solver.",
        examples=[{"iterations": 5, "kkt_residual": 3.1e-12, "engine_time_ms": 4.2}],
    )
    notice: str = Field(default=NOTICE, description="What a balance is not.", examples=[NOTICE])
