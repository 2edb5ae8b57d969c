"""The reply on the wire: the reconciled balance, by name."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from reconcile.balance import Knowledge

TOLERANCE = 1e-9
"""Each quantity closes to this fraction of its own throughput."""

ESTIMATOR = (
    "Weighted least squares over all masses and assays at once, subject to the balances at "
    "every node; variances are the stated ones, relative errors evaluated at the reading and "
    "not re-evaluated at the estimate."
)

NOTICE = "A balance is not a certificate for custody transfer."

Class = Literal["redundant", "nonredundant", "observable", "unobservable", "undefined"]
_CLASS_TEXT = (
    "What the readings say about it: 'redundant' (read, and checked by the balances), "
    "'nonredundant' (read, and checked by nothing), 'observable' (not read, but it follows), "
    "'unobservable' (not read, and it does not follow: no number), 'undefined' (a ratio over "
    "a stream or feed of zero: no number)."
)
_SHARE_EXAMPLE = {"value": 36.4, "sd": 0.07, "class": "redundant", "unit": "%"}
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
_COMPONENT_MASS_EXAMPLE = {
    "component": "Sn",
    "value": 30.9,
    "sd": 0.9,
    "class": "redundant",
    "unit": "g",
}
_STREAM_EXAMPLE = {
    "name": "mag 1",
    "from": "stage 1",
    "to": None,
    "role": "product",
    "mass": _MASS_EXAMPLE,
    "yield": _SHARE_EXAMPLE,
    "assays": [_ASSAY_EXAMPLE],
    "component_masses": [_COMPONENT_MASS_EXAMPLE],
}
_RECOVERY_EXAMPLE = {"component": "Sn", "products": [{"product": "mag 1"} | _SHARE_EXAMPLE]}
_SPLIT_EXAMPLE = {
    "node": "stage 1",
    "of": "mass",
    "streams": [{"stream": "mag 1"} | _SHARE_EXAMPLE],
}
_IMBALANCE_EXAMPLE = {
    "of": "Sn",
    "node": "stage 2",
    "imbalance": 2.3e-13,
    "throughput": 780.0,
    "unit": "g",
    "relative": 2.9e-16,
}


class Out(BaseModel):
    """An object of the reply; members that cannot be known are null, never absent."""

    model_config = ConfigDict(frozen=True)


class Share(Out):
    """A yield, recovery or split, in percent."""

    value: float | None = Field(
        description="The value in %, null where it cannot be known.", examples=[36.2]
    )
    sd: float | None = Field(
        description="Its standard deviation in percentage points.", examples=[0.12]
    )
    class_: Knowledge = Field(
        serialization_alias="class", description=_CLASS_TEXT, examples=["observable"]
    )
    unit: Literal["%"] = Field(default="%", description="Unit of value and sd.", examples=["%"])


class Quantity(Out):
    """A mass or an assay: what was read, and what came out."""

    reading: float | None = Field(
        description="The reading in 'unit', null if not measured.", examples=[905.0]
    )
    reading_sd: float | None = Field(
        description="Standard deviation of the reading in 'unit', as used.", examples=[3.0]
    )
    value: float | None = Field(
        description="The reconciled value in 'unit', null where it cannot be known.",
        examples=[908.4],
    )
    sd: float | None = Field(
        description="Standard deviation of the reconciled value in 'unit'.", examples=[2.2]
    )
    adjustment: float | None = Field(
        description="Reconciled value minus reading, in 'unit'.", examples=[3.4]
    )
    standardised: float | None = Field(
        description="The adjustment in units of its own standard deviation; a standard normal "
        "deviate if the stated errors are right. Null for a reading that nothing checks or "
        "that is fixed.",
        examples=[1.7],
    )
    class_: Knowledge = Field(
        serialization_alias="class", description=_CLASS_TEXT, examples=["redundant"]
    )


class _OfComponent(Out):
    component: str = Field(description="Name of the component.", examples=["Sn"])


class _OfProduct(Out):
    product: str = Field(description="Name of the product stream.", examples=["nonmag"])


class _OfStream(Out):
    stream: str = Field(description="Name of the stream.", examples=["mag 1"])


# The base that names a thing stands last, so that its member comes first on the wire.


class Mass(Quantity):
    """The mass of dry solids of a stream."""

    unit: str | None = Field(
        description="The flowsheet's mass unit, null if no mass is read.", examples=["g"]
    )


class Assay(Quantity, _OfComponent):
    """An assay of a stream."""

    unit: str = Field(description="The component's unit.", examples=["%"])


class ComponentMass(Out):
    """The mass of a component in a stream."""

    component: str = Field(description="Name of the component.", examples=["Sn"])
    value: float | None = Field(
        description="Mass of the component in 'unit', null where it cannot be known.",
        examples=[30.9],
    )
    sd: float | None = Field(description="Its standard deviation in 'unit'.", examples=[0.5])
    class_: Knowledge = Field(
        serialization_alias="class", description=_CLASS_TEXT, examples=["observable"]
    )
    unit: str | None = Field(
        description="The flowsheet's mass unit, null if no mass is read.", examples=["g"]
    )


class StreamBalance(Out):
    """A stream with everything that came out for it."""

    name: str = Field(description="Name of the stream.", examples=["mag 1"])
    from_: str | None = Field(
        serialization_alias="from",
        description="The node it leaves, null for a feed.",
        examples=["stage 1"],
    )
    to: str | None = Field(
        description="The node it enters, null for a product.", examples=["stage 2"]
    )
    role: Literal["feed", "internal", "product"] = Field(
        description="'feed' comes from outside, 'product' leaves, 'internal' does neither.",
        examples=["product"],
    )
    mass: Mass = Field(
        description="Mass of dry solids.",
        examples=[_MASS_EXAMPLE],
    )
    yield_: Share = Field(
        serialization_alias="yield",
        description="Mass of the stream as a percentage of the total feed.",
        examples=[_SHARE_EXAMPLE],
    )
    assays: list[Assay] = Field(
        description="Its assays, in the order of the flowsheet's components.",
        examples=[[_ASSAY_EXAMPLE]],
    )
    component_masses: list[ComponentMass] = Field(
        description="Masses of the components in it.",
        examples=[[_COMPONENT_MASS_EXAMPLE]],
    )


class ProductRecovery(Share, _OfProduct):
    """What part of a component's feed goes to one product."""


class Recovery(Out):
    """Where a component of the feed goes."""

    component: str = Field(description="Name of the component.", examples=["Sn"])
    products: list[ProductRecovery] = Field(
        description="Its recovery to each product, as a percentage of the component in the "
        "total feed.",
        examples=[
            [{"product": "nonmag", "value": 96.1, "sd": 0.2, "class": "observable", "unit": "%"}]
        ],
    )


class StreamShare(Share, _OfStream):
    """What part of what enters a node leaves it by one stream."""


class Split(Out):
    """How a quantity that enters a node is shared among the streams that leave it."""

    node: str = Field(description="Name of the node.", examples=["stage 1"])
    of: str = Field(description="'mass' or the name of a component.", examples=["mass"])
    streams: list[StreamShare] = Field(
        description="The share of each stream that leaves the node, as a percentage of what "
        "enters it.",
        examples=[
            [{"stream": "mag 1", "value": 36.4, "sd": 0.07, "class": "redundant", "unit": "%"}]
        ],
    )


class WorstNode(Out):
    """The worst imbalance of one quantity."""

    of: str = Field(description="'mass' or the name of a component.", examples=["Sn"])
    node: str = Field(description="The node with the worst imbalance.", examples=["stage 2"])
    imbalance: float = Field(
        description="What enters the node less what leaves it, in 'unit'.", examples=[2.3e-13]
    )
    throughput: float = Field(
        description="Throughput of the quantity, in 'unit'.", examples=[780.0]
    )
    unit: str | None = Field(
        description="The flowsheet's mass unit, null if no mass is read.", examples=["g"]
    )
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
    of: str = Field(description="'mass' or the name of a component.", examples=["WO3"])
    bound: str = Field(
        description="'zero' (nothing of it), or 'whole' (the component is all of the solids).",
        examples=["zero"],
    )


class Solver(Out):
    """How the solver got there."""

    iterations: int = Field(description="Number of iterations.", examples=[5])
    kkt_residual: float = Field(
        description="Scaled residual of the optimality conditions at the solution, without unit.",
        examples=[3.1e-12],
    )
    engine_time_ms: float = Field(
        description="Time spent in the engine, in milliseconds.", examples=[4.2]
    )


class BalanceReply(Out):
    """A reconciled balance."""

    title: str | None = Field(
        description="The title of the request.", examples=["One magnetic stage"]
    )
    note: str | None = Field(description="The note of the request.", examples=["Invented data."])
    outcome: Literal["closed", "closed with active bounds"] = Field(
        description="'closed', or 'closed with active bounds' where a physical bound holds an "
        "estimate. Anything else is a problem, not a balance.",
        examples=["closed"],
    )
    estimator: str = Field(
        default=ESTIMATOR, description="The estimator, in a sentence.", examples=[ESTIMATOR]
    )
    warnings: list[str] = Field(
        description="What to look at, in sentences.",
        examples=[["The assay of WO3 in 'nonmag' is negative (-0.01 %)."]],
    )
    streams: list[StreamBalance] = Field(
        description="The streams, in the order of the request.",
        examples=[[_STREAM_EXAMPLE]],
    )
    recoveries: list[Recovery] = Field(
        description="The recovery of each component to each product.",
        examples=[[_RECOVERY_EXAMPLE]],
    )
    splits: list[Split] = Field(
        description="For each node and quantity, the share of each stream that leaves it.",
        examples=[[_SPLIT_EXAMPLE]],
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
    active_bounds: list[Bound] = Field(
        description="The physical bounds that hold an estimate.",
        examples=[[{"stream": "nonmag", "of": "WO3", "bound": "zero"}]],
    )
    solver: Solver = Field(
        description="Iterations, residual and time of the solver.",
        examples=[{"iterations": 5, "kkt_residual": 3.1e-12, "engine_time_ms": 4.2}],
    )
    notice: str = Field(default=NOTICE, description="What a balance is not.", examples=[NOTICE])


def as_json(reply: BalanceReply, indent: int | None = None) -> str:
    """Write the reply as JSON: members by their wire names, numbers shortest round trip."""
    return reply.model_dump_json(by_alias=True, indent=indent)
