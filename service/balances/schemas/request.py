"""The whole request on the wire."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.kit.fields import Name

from .common import CalculationOptions, Causes, Controls, ErrorModels, Titled
from .evidence import EvidenceObject
from .flowsheet import FlowsheetObject
from .performance import MOST_SERIES, CareObject, SeriesObject
from .readings import ReadingObject


class OptionsObject(CalculationOptions):
    """Options of the calculation."""

    robust: Literal["huber", "bisquare"] | None = Field(
        default=None,
        description="How much a reading counts that does not fit: 'huber' (in proportion to its "
        "misfit beyond 1.345 sd) or 'bisquare' (nothing beyond 4.685 sd). Left out, all count in "
        "full.",
        examples=["huber"],
    )


class BalanceRequest(Titled):
    """A flowsheet and the readings taken on it."""

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
    error_models: ErrorModels = Field(default=[])
    causes: Causes = Field(default=[])
    controls: Controls = Field(default=[])
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
