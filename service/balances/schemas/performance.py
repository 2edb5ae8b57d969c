"""What a request may ask beyond the balance: what was separated, and what needs care."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.kit.fields import Name, Wire

from .words import Names

MOST_SERIES = 20
MOST_PRODUCTS = 200
"""Series of a request and products of a series: their figures grow as the square of the latter."""

RuleName = Literal["each nuclide", "sum of fractions"]

Work = Literal["magnetic", "electrostatic", "heavy liquid"]
"""Kinds of work with a caution of their own."""


class SeriesObject(Wire):
    """A feed and the products it was parted into, in the order in which they came."""

    name: Name | None = Field(
        default=None,
        description="Name of the series; left out, that of its feed.",
        examples=["test of head A"],
    )
    feed: Names = Field(
        description="The stream that all shares are of, or a list of streams taken together.",
        examples=["feed"],
    )
    products: Annotated[list[Name], Field(min_length=1, max_length=MOST_PRODUCTS)] = Field(
        description="The products, in the order in which they are added up: of a magnetic test, "
        "from the lowest field to the highest, and what was left behind last.",
        examples=[["mag 1", "mag 2", "nonmag"]],
    )


class CareObject(Wire):
    """What to look at for the sake of those who handle the products."""

    streams: list[Name] | None = Field(
        default=None,
        description="The streams that are looked at. Left out: all feeds and products.",
        examples=[["mag 1", "nonmag"]],
    )
    rule: RuleName = Field(
        default="each nuclide",
        description="How thorium and uranium stand beside the level of 1 Bq/g: each by itself, or "
        "by the sum of their fractions of it. National law says which.",
        examples=["each nuclide"],
    )
    transport_rule: RuleName = Field(
        default="sum of fractions",
        description="The same for transport, where mixtures go by the sum of fractions.",
        examples=["sum of fractions"],
    )
    work: list[Work] = Field(
        default=[],
        description="What was worked with; each has a caution of its own.",
        examples=[["magnetic"]],
    )
