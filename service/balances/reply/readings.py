"""Readings of a reply: what was read, how well, where its sd came from, and what came out."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from reconcile.balance import Knowledge
from service.kit.replies import Out

from .parts import CLASS_TEXT, SHARE_EXAMPLE, Share

_SHARES_EXAMPLE = {"sampling": 40.0, "analysis": 60.0, "weighing": 0.0, "undivided": 0.0}
_COUNT_EXAMPLE: dict[str, Any] = {
    "of": "ilmenite",
    "count": 310,
    "counted": SHARE_EXAMPLE,
    "reconciled": SHARE_EXAMPLE,
}


class VarianceShares(Out):
    """Where the variance of a reading arises, in percent; all zero where it has none."""

    sampling: float = Field(description="Share of sampling in %.", examples=[40.0])
    analysis: float = Field(description="Share of analysis in %.", examples=[60.0])
    weighing: float = Field(description="Share of weighing in %.", examples=[0.0])
    undivided: float = Field(
        description="Share in % of what the request does not tell apart.", examples=[0.0]
    )


class CountedShare(Out):
    """One mineral of a grain count."""

    of: str = Field(description="Name of the component.", examples=["ilmenite"])
    count: int = Field(description="Number of its grains.", examples=[310])
    counted: Share = Field(
        description="Its mass among the counted minerals in %, from the counts and densities "
        "alone; the sd is that of counting.",
        examples=[SHARE_EXAMPLE],
    )
    reconciled: Share = Field(
        description="The same after reconciliation.", examples=[SHARE_EXAMPLE]
    )


class ReadingResult(Out):
    """What was read, where its standard deviation came from, and what came out."""

    pointer: str = Field(
        description="Place of the reading in the request, as a JSON pointer.",
        examples=["/readings/4"],
    )
    streams: list[str] = Field(
        description="The streams whose amounts are added; empty for a stock.", examples=[["mag 1"]]
    )
    periods: list[str] = Field(
        description="The periods whose amounts are added; empty where none has a name.",
        examples=[["shift 1"]],
    )
    stock: str | None = Field(
        description="The node whose stock was read, null for streams.", examples=["bin"]
    )
    at: str | None = Field(
        description="The time at which the stock was read, null for streams.", examples=["opening"]
    )
    of: str = Field(description="What was read, in words.", examples=["Sn"])
    unit: str = Field(description="Unit of all its values.", examples=["%"])
    value: float | None = Field(
        description="What was read, the mean of replicates, or the limit; null for a count.",
        examples=[3.4],
    )
    limit: Literal["below", "above"] | None = Field(
        description="Whether the true value is said to be below or above 'value'.",
        examples=[None],
    )
    sd: float | None = Field(
        description="Its standard deviation as used, shared errors included; null for a count.",
        examples=[0.102],
    )
    sd_from: str = Field(
        description="Where the standard deviation came from.",
        examples=["stated as 3 % of the value"],
    )
    variance: VarianceShares = Field(
        description="What sampling, analysis and weighing contribute.", examples=[_SHARES_EXAMPLE]
    )
    reconciled: float | None = Field(
        description="The reconciled value of what was read, free of shared errors.",
        examples=[3.41],
    )
    reconciled_sd: float | None = Field(description="Its standard deviation.", examples=[0.1])
    class_: Knowledge = Field(
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["redundant"],
    )
    adjustment: float | None = Field(
        description="Reconciled value minus reading; null for a limit or a count.",
        examples=[0.01],
    )
    standardised: float | None = Field(
        description="The adjustment in units of its own standard deviation; null where nothing "
        "checks the reading.",
        examples=[0.6],
    )
    weight: float = Field(
        description="How much it counts: 1 in full, less where it does not fit a robust fit or "
        "is a limit that is far off.",
        examples=[1.0],
    )
    left_out: str | None = Field(
        description="Why it was left out, in the words of the request; null if it counts.",
        examples=[None],
    )
    counts: list[CountedShare] = Field(
        description="The minerals of a grain count; empty otherwise.", examples=[[_COUNT_EXAMPLE]]
    )


READING_EXAMPLE: dict[str, Any] = {
    "pointer": "/readings/4",
    "streams": ["mag 1"],
    "periods": [],
    "stock": None,
    "at": None,
    "of": "Sn",
    "unit": "%",
    "value": 3.4,
    "limit": None,
    "sd": 0.102,
    "sd_from": "stated as 3 % of the value",
    "variance": {"sampling": 0.0, "analysis": 0.0, "weighing": 0.0, "undivided": 100.0},
    "reconciled": 3.41,
    "reconciled_sd": 0.1,
    "class": "redundant",
    "adjustment": 0.01,
    "standardised": 0.6,
    "weight": 1.0,
    "left_out": None,
    "counts": [],
}
