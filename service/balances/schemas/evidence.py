"""How the evidence about what may be wrong is judged."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.kit.fields import Wire

MOST_LISTED = 100
"""Tests of each kind that are listed unless more are asked for."""

LEAST_LEVEL, MOST_LEVEL = 1e-6, 0.5
"""Levels between which a test says anything."""

WIDEST_ANGLE = 45.0
"""Angle beyond which readings tell explanations apart well."""

Weight = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]


class PriorObject(Wire):
    """How probable each kind of error is beforehand, in proportion to one another."""

    reading: Weight = Field(
        default=0.6,
        description="A reading, a shared error or the content of a mineral is wrong.",
        examples=[0.6],
    )
    leak: Weight = Field(
        default=0.2, description="Something is lost or added at a node.", examples=[0.2]
    )
    exchange: Weight = Field(
        default=0.2, description="Two bags, trays or components were exchanged.", examples=[0.2]
    )


class EvidenceObject(Wire):
    """How to judge what may be wrong: readings, leaks, exchanged samples."""

    skip: bool = Field(
        default=False, strict=True, description="Whether to do without evidence.", examples=[True]
    )
    level: float = Field(
        default=0.05,
        ge=LEAST_LEVEL,
        le=MOST_LEVEL,
        strict=True,
        allow_inf_nan=False,
        description="Chance of a false alarm over all tests of a kind together, and over all "
        "findings together; with a control of false discovery their expected share.",
        examples=[0.01],
    )
    control: Literal["sidak", "bonferroni", "holm", "benjamini-hochberg", "benjamini-yekutieli"] = (
        Field(
            default="sidak",
            description="What is held at the level: the chance of any false alarm ('sidak', "
            "'bonferroni', 'holm') or the share of false ones among all alarms "
            "('benjamini-hochberg'; 'benjamini-yekutieli' however they depend on one another).",
            examples=["holm"],
        )
    )
    angle: float = Field(
        default=5.0,
        gt=0,
        le=WIDEST_ANGLE,
        strict=True,
        allow_inf_nan=False,
        description="Angle in degrees between the signatures of two explanations within which "
        "they count as alike, and are given together.",
        examples=[5],
    )
    prior: PriorObject = Field(
        default=PriorObject(),
        description="How probable each kind of error is beforehand, given that there is one.",
        examples=[{"reading": 0.6, "leak": 0.2, "exchange": 0.2}],
    )
    listed: int = Field(
        default=MOST_LISTED,
        ge=0,
        le=10**6,
        strict=True,
        description="How many tests of each kind are listed at most, the largest first.",
        examples=[20],
    )
