"""The reply on the wire: what each reading would bring, and the plan."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from reconcile.evidence.sampling import Kind
from service.kit.replies import Out, Titled

NOTICE = (
    "A forecast, not a measurement, and not a certificate for custody transfer. Sample only what "
    "the local code lets you sample safely: mind dust, radiation and magnets."
)

RANKING = "ranking alone"
"""The method where there is nothing to spend."""

_PLACE_EXAMPLE: dict[str, Any] = {"streams": ["nonmag"], "periods": [], "stock": None, "at": None}


class Placed(Out):
    """Something of a stream or a stock."""

    streams: list[str] = Field(
        description="The streams taken together; empty for a stock.", examples=[["nonmag"]]
    )
    periods: list[str] = Field(
        description="The periods; empty where none has a name.", examples=[["shift 1"]]
    )
    stock: str | None = Field(description="The node whose stock it is of.", examples=["bin"])
    at: str | None = Field(description="The time of the stock.", examples=["opening"])
    of: str = Field(description="What it is of, in words.", examples=["Sn"])
    unit: str | None = Field(
        description="Unit of its values; null for masses that are relative.", examples=["%"]
    )


class TargetResult(Placed):
    """One target: how well it is known, and how well it would be."""

    pointer: str = Field(
        description="Place of the target in the request, as a JSON pointer.",
        examples=["/targets/0"],
    )
    figure: Literal["value", "recovery", "yield"] = Field(
        description="The figure asked for.", examples=["recovery"]
    )
    value: float | None = Field(
        description="Its value, null for a share of nothing.", examples=[96.2]
    )
    known: bool = Field(
        description="Whether the value is known; if not, it is a guess to plan with.",
        examples=[True],
    )
    sd: float | None = Field(
        description="Its standard deviation now, null where it is not known.", examples=[0.5]
    )
    sd_after: float | None = Field(
        description="Its standard deviation with the plan, null where still not known.",
        examples=[0.24],
    )
    wanted_sd: float | None = Field(description="The one wanted.", examples=[0.25])
    reached: bool | None = Field(
        description="Whether the plan reaches it; null where none is wanted.", examples=[True]
    )
    reference_sd: float = Field(
        description="What its sd is measured by in the index: the one wanted, or else the present "
        "one, or else 1 % of the value.",
        examples=[0.25],
    )
    within_reach: bool = Field(
        description="Whether all candidates together would make it known.", examples=[True]
    )


class CheckResult(Placed):
    """One reading: the power to find a bias of it."""

    pointer: str = Field(
        description="Place of the reading in the request, as a JSON pointer.",
        examples=["/readings/0"],
    )
    bias: float = Field(description="The bias looked for, in 'unit'.", examples=[4.8])
    power: float = Field(description="Power to find it now.", examples=[0.62])
    power_after: float = Field(description="Power to find it with the plan.", examples=[0.93])
    reached: bool = Field(description="Whether the plan reaches the power.", examples=[True])
    smallest_bias: float | None = Field(
        description="Smallest bias found with the power wished for now, in 'unit'; null where "
        "nothing checks the reading.",
        examples=[6.1],
    )
    smallest_bias_after: float | None = Field(description="The same with the plan.", examples=[4.5])


class Standing(Out):
    """How good a state is."""

    unknown: int = Field(description="Targets that are not known.", examples=[0])
    index: float | None = Field(
        description="Root mean square of the sds of the targets over their references, the lower "
        "the better; null while one is unknown, and for detection.",
        examples=[0.48],
    )
    reached: int | None = Field(
        description="Readings that reach the power wished for; null for targets.", examples=[12]
    )
    least_power: float | None = Field(
        description="Least power over the readings that candidates can check; null for targets.",
        examples=[0.93],
    )
    mean_power: float | None = Field(
        description="Mean power over the same readings; null for targets.", examples=[0.97]
    )


class CandidateResult(Placed):
    """One candidate: what it alone would bring."""

    kind: Kind = Field(
        description="'addition' (not read so far), 'repeat' (beside the reading at hand) or "
        "'improvement' (in its place, with a smaller sd).",
        examples=["repeat"],
    )
    pointer: str | None = Field(
        description="Its place in the request, or that of the reading which it repeats or "
        "improves; null for one thought of here.",
        examples=["/readings/5"],
    )
    expected: float = Field(description="The value it would read.", examples=[48.1])
    known: bool = Field(
        description="Whether that value is known; if not, it is a guess to plan with.",
        examples=[True],
    )
    sd: float = Field(description="Its own standard deviation.", examples=[0.96])
    sd_from: str = Field(
        description="Where that came from.", examples=["that of the reading at hand"]
    )
    cost: float = Field(description="Its cost.", examples=[1.0])
    at_most: int = Field(description="How many may be taken.", examples=[1])
    sds_after: list[float | None] = Field(
        description="The sd of each target once it is read, null where still not known; empty for "
        "detection.",
        examples=[[0.31]],
    )
    after: Standing = Field(
        description="The state once it is read.",
        examples=[
            {"unknown": 0, "index": 0.62, "reached": None, "least_power": None, "mean_power": None}
        ],
    )
    makes_known: int = Field(description="Targets that it makes known.", examples=[0])
    gain: float | None = Field(
        description="Fall of the index (of the targets known); null where it makes targets known, "
        "so that the index is of more of them. For detection the rise of what the plan raises.",
        examples=[0.38],
    )
    gain_per_cost: float | None = Field(description="The same over its cost.", examples=[0.38])
    planned: int = Field(description="How many of it the plan takes.", examples=[1])


class StepResult(Out):
    """One reading of the plan."""

    candidate: str = Field(
        description="The candidate, as a JSON pointer into this reply.", examples=["/candidates/0"]
    )
    what: str = Field(description="The same in words.", examples=["repeat Sn of 'nonmag'"])
    cost: float = Field(description="Its cost.", examples=[1.0])
    spent: float = Field(description="Cost of the plan up to here.", examples=[1.0])
    sds_after: list[float | None] = Field(
        description="The sd of each target by then; empty for detection.", examples=[[0.31]]
    )
    after: Standing = Field(
        description="The state by then.",
        examples=[
            {"unknown": 0, "index": 0.62, "reached": None, "least_power": None, "mean_power": None}
        ],
    )


class Certificate(Out):
    """How far the plan can be from the best there is within the budget."""

    method: str = Field(
        description="How the plan was found: 'exhaustive' (every plan was tried) and 'branch and "
        "bound' leave none better; 'relaxation, rounding and exchange' and 'greedy and exchange' "
        f"may; '{RANKING}' is where nothing may be spent.",
        examples=["exhaustive"],
    )
    bound: float | None = Field(
        description="What no plan within the budget can pass: an index, or for detection the least "
        "power or the number of readings reached; null where no bound is known.",
        examples=[0.47],
    )
    gap: float | None = Field(
        description="Distance of the plan from that bound: how much larger its index is, in "
        "percent, or how much less its power or number. Zero where none is better.",
        examples=[1.8],
    )


class SamplingPlanReply(Titled):
    """What further readings would bring, and which to take."""

    budget: float = Field(description="What the plan may cost.", examples=[5.0])
    cost: float = Field(description="What it costs.", examples=[5.0])
    before: Standing = Field(
        description="The state now.",
        examples=[
            {"unknown": 0, "index": 1.0, "reached": None, "least_power": None, "mean_power": None}
        ],
    )
    after: Standing = Field(
        description="The state with the plan.",
        examples=[
            {"unknown": 0, "index": 0.48, "reached": None, "least_power": None, "mean_power": None}
        ],
    )
    certificate: Certificate = Field(
        description="How far the plan can be from the best.",
        examples=[{"method": "exhaustive", "bound": 0.48, "gap": 0.0}],
    )
    targets: list[TargetResult] = Field(
        description="The targets, in the order of the request.",
        examples=[
            [
                _PLACE_EXAMPLE
                | {"of": "Sn", "unit": "%", "pointer": "/targets/0", "figure": "recovery"}
                | {"value": 96.2, "known": True, "sd": 0.5, "sd_after": 0.24, "wanted_sd": 0.25}
                | {"reached": True, "reference_sd": 0.25, "within_reach": True}
            ]
        ],
    )
    checks: list[CheckResult] = Field(
        description="For detection: the readings at hand; empty otherwise.",
        examples=[
            [
                _PLACE_EXAMPLE
                | {"of": "Sn", "unit": "%", "pointer": "/readings/5", "bias": 4.8, "power": 0.62}
                | {"power_after": 0.93, "reached": True, "smallest_bias": 6.1}
                | {"smallest_bias_after": 4.5}
            ]
        ],
    )
    plan: list[StepResult] = Field(
        description="The plan, what helps most first.",
        examples=[
            [
                {"candidate": "/candidates/0", "what": "repeat Sn of 'nonmag'", "cost": 1.0}
                | {"spent": 1.0, "sds_after": [0.31]}
                | {
                    "after": {
                        "unknown": 0,
                        "index": 0.6,
                        "reached": None,
                        "least_power": None,
                        "mean_power": None,
                    }
                }
            ]
        ],
    )
    candidates: list[CandidateResult] = Field(
        description="All candidates, in the order of gain per cost.",
        examples=[
            [
                _PLACE_EXAMPLE
                | {"of": "Sn", "unit": "%", "kind": "repeat", "pointer": "/readings/5"}
                | {"expected": 48.1, "known": True, "sd": 0.96, "cost": 1.0, "at_most": 1}
                | {"sd_from": "that of the reading at hand", "sds_after": [0.31], "gain": 0.38}
                | {"gain_per_cost": 0.38, "makes_known": 0, "planned": 1}
                | {
                    "after": {
                        "unknown": 0,
                        "index": 0.6,
                        "reached": None,
                        "least_power": None,
                        "mean_power": None,
                    }
                }
            ]
        ],
    )
    statements: list[str] = Field(
        description="How to read this plan.",
        examples=[["The recovery of Sn to 'nonmag' would have an sd of 0.24 instead of 0.5 %."]],
    )
    warnings: list[str] = Field(
        description="What is worth a look.",
        examples=[["The recovery of Sn to 'mag 1' is out of reach of these candidates."]],
    )
    notice: str = Field(default=NOTICE, description="What this is not.", examples=[NOTICE])
