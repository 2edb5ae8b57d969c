"""What the parts of a reply are made of: values with their standard deviations and classes."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from reconcile.balance import Knowledge
from service.kit.replies import Out

CLASS_TEXT = (
    "What the readings say about it: 'redundant' (read, and checked by the balances), "
    "'nonredundant' (read, and checked by nothing), 'observable' (not read, but it follows), "
    "'unobservable' (not read, and it does not follow: no number), 'undefined' (a ratio over "
    "a stream or feed of zero: no number)."
)
SHARE_EXAMPLE = {"value": 36.4, "sd": 0.07, "class": "redundant", "unit": "%"}
UNIT_TEXT = "The flowsheet's mass unit, null if no mass is read."


class Share(Out):
    """A yield, recovery or split, in percent."""

    value: float | None = Field(
        description="The value in %, null where it cannot be known.", examples=[36.2]
    )
    sd: float | None = Field(
        description="Its standard deviation in percentage points.", examples=[0.12]
    )
    class_: Knowledge = Field(
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["observable"],
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
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["redundant"],
    )


class Amount(Out):
    """A mass that follows from the balance."""

    value: float | None = Field(
        description="The mass in 'unit', null where it cannot be known.", examples=[30.9]
    )
    sd: float | None = Field(description="Its standard deviation in 'unit'.", examples=[0.5])
    class_: Knowledge = Field(
        validation_alias="class",
        serialization_alias="class",
        description=CLASS_TEXT,
        examples=["observable"],
    )
    unit: str | None = Field(description=UNIT_TEXT, examples=["g"])
