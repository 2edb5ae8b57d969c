"""The whole request on the wire."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.kit.fields import Name, Wire

from .errors import CauseObject, ControlObject, ErrorModelObject
from .evidence import EvidenceObject
from .flowsheet import FlowsheetObject
from .performance import MOST_SERIES, CareObject, SeriesObject
from .readings import ReadingObject

SHORTEST_TIME_BUDGET_S = 1e-3
"""Shortest time that can be asked for; the smallest balance takes about as long."""


class OptionsObject(Wire):
    """Options of the calculation."""

    time_budget_s: float | None = Field(
        default=None,
        ge=SHORTEST_TIME_BUDGET_S,
        strict=True,
        allow_inf_nan=False,
        description="Longest time for the calculation in seconds; the service has a limit of "
        "its own, which stands if it is less.",
        examples=[10],
    )
    robust: Literal["huber", "bisquare"] | None = Field(
        default=None,
        description="How much a reading counts that does not fit: 'huber' (in proportion to its "
        "misfit beyond 1.345 sd) or 'bisquare' (nothing beyond 4.685 sd). Left out, all count in "
        "full.",
        examples=["huber"],
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


class BalanceRequest(Wire):
    """A flowsheet and the readings taken on it."""

    title: str | None = Field(
        default=None,
        strict=True,
        max_length=200,
        description="A title; it comes back in the reply.",
        examples=["Tin-shed concentrate, three magnetic stages"],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=2000,
        description="A note; it comes back in the reply.",
        examples=["Invented data."],
    )
    flowsheet: FlowsheetObject = Field(
        description="The flowsheet.",
        examples=[
            {
                "mass_unit": "g",
                "nodes": ["stage 1"],
                "streams": [
                    {"name": "feed", "to": "stage 1"},
                    {"name": "mag 1", "from": "stage 1"},
                    {"name": "nonmag", "from": "stage 1"},
                ],
                "components": ["Sn"],
            }
        ],
    )
    periods: list[Name] = Field(
        default=[],
        description="Names of consecutive periods, in order of time: every stream then exists in "
        "each, and stocks join them. Leave it out for a single one.",
        examples=[["shift 1", "shift 2", "shift 3"]],
    )
    error_models: list[ErrorModelObject] = Field(
        default=[],
        description="Errors that readings refer to by name.",
        examples=[[{"name": "XRF of majors", "sd": 0.03, "relative_sd": 0.01, "unit": "%"}]],
    )
    causes: list[CauseObject] = Field(
        default=[],
        description="Causes of errors that readings share.",
        examples=[[{"name": "weigher A", "relative_sd": 0.005}]],
    )
    controls: list[ControlObject] = Field(
        default=[],
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
    )
    readings: list[ReadingObject] = Field(
        description="The readings; at most one of each quantity of each stream.",
        examples=[[{"stream": "feed", "of": "mass", "value": 2500, "sd": 5}]],
    )
    evidence: EvidenceObject = Field(
        default=EvidenceObject(),
        description="How to judge what may be wrong; left out, as the defaults say.",
        examples=[{"level": 0.01, "control": "holm"}],
    )
    performance: list[SeriesObject] = Field(
        default=[],
        max_length=MOST_SERIES,
        description="Feeds and their products in order, for yields, grades, recoveries and "
        "separation efficiencies one by one and added up.",
        examples=[[{"feed": "feed", "products": ["mag 1", "nonmag"]}]],
    )
    care: CareObject | None = Field(
        default=None,
        description="Asks what needs care: thorium and uranium, silica dust, strong magnets.",
        examples=[{"work": ["magnetic"]}],
    )
    options: OptionsObject | None = Field(
        default=None,
        description="Options of the calculation.",
        examples=[{"time_budget_s": 10}],
    )


MINIMAL_EXAMPLE = {
    "title": "One magnetic stage",
    "note": "Invented data.",
    "flowsheet": {
        "mass_unit": "g",
        "nodes": ["stage 1"],
        "streams": [
            {"name": "feed", "to": "stage 1"},
            {"name": "mag 1", "from": "stage 1"},
            {"name": "nonmag", "from": "stage 1"},
        ],
        "components": ["Sn"],
    },
    "readings": [
        {"stream": "feed", "of": "mass", "value": 2500, "sd": 5},
        {"stream": "mag 1", "of": "mass", "value": 905, "sd": 3},
        {"stream": "nonmag", "of": "mass", "value": 1588, "sd": 4},
        {"stream": "feed", "of": "Sn", "value": 31.2, "relative_sd": 0.02},
        {"stream": "mag 1", "of": "Sn", "value": 3.4, "relative_sd": 0.03},
        {"stream": "nonmag", "of": "Sn", "value": 48.1, "relative_sd": 0.02},
    ],
}
"""A complete request that fits on a screen, for the interactive documentation."""
