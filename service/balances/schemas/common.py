"""What requests for balances, series of shifts and tests have in common."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.kit.fields import Wire

from .errors import CauseObject, ControlObject, ErrorModelObject

SHORTEST_TIME_BUDGET_S = 1e-3
"""Shortest time that can be asked for; the smallest balance takes about as long."""

LONGEST_TITLE, LONGEST_NOTE = 200, 2000
"""Longest words of a caller's own, in characters."""

ErrorModels = Annotated[
    list[ErrorModelObject],
    Field(
        description="Errors that readings refer to by name.",
        examples=[[{"name": "XRF of majors", "sd": 0.03, "relative_sd": 0.01, "unit": "%"}]],
    ),
]

Controls = Annotated[
    list[ControlObject],
    Field(
        description="Control samples and blanks, which bear on a shared cause.",
        examples=[
            [
                {
                    "name": "control ore 7",
                    "cause": "assay batch 12",
                    "certified": 25.14,
                    "certified_sd": 0.06,
                    "value": 25.3,
                    "sd": 0.1,
                    "unit": "%",
                }
            ]
        ],
    ),
]

Causes = Annotated[
    list[CauseObject],
    Field(
        description="Causes of errors that readings share.",
        examples=[[{"name": "weigher A", "relative_sd": 0.005}]],
    ),
]


class Titled(Wire):
    """A request with words of the caller's own."""

    title: str | None = Field(
        default=None,
        strict=True,
        max_length=LONGEST_TITLE,
        description="A title; it comes back in the reply.",
        examples=["Tin-shed concentrate, three magnetic stages"],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=LONGEST_NOTE,
        description="A note; it comes back in the reply.",
        examples=["Invented data."],
    )


class CalculationOptions(Wire):
    """Options that every calculation from readings has."""

    time_budget_s: float | None = Field(
        default=None,
        ge=SHORTEST_TIME_BUDGET_S,
        strict=True,
        allow_inf_nan=False,
        description="Longest time for the calculation in seconds; the service has a limit of "
        "its own, which stands if it is less.",
        examples=[10],
    )
    pooling: Literal["absolute", "relative"] | None = Field(
        default=None,
        description="How the spread of few replicates is pooled over readings of one quantity: "
        "'absolute' (the same at all levels) or 'relative' (in proportion to the value). Left "
        "out, absolute for masses and relative for the rest.",
        examples=["absolute"],
    )
    robust_replicates: bool = Field(
        default=False,
        strict=True,
        description="Whether replicates are combined so that one wild value does not rule.",
        examples=[True],
    )
