"""The whole test sheet on the wire."""

from __future__ import annotations

from pydantic import Field

from service.balances.schemas import (
    CareObject,
    ClosureObject,
    EvidenceObject,
    OptionsObject,
    OrderObject,
    SeriesObject,
    SizesObject,
)
from service.balances.schemas.common import Causes, Controls, ErrorModels, Titled
from service.balances.schemas.flowsheet import AnalyteEntry, ComponentEntry
from service.balances.schemas.performance import MOST_SERIES
from service.kit.fields import Name, NotNegative, Wire
from service.kit.units import UCUM_TEXT, MassUnit

from .errors import ErrorsObject
from .passes import Note, PassObject
from .weights import LotObject, SizedLotObject, WeighingEntry


class SampleObject(Wire):
    """Words for the head of a report."""

    client: Note | None = Field(
        default=None, description="Whose sample it is.", examples=["An invented customer"]
    )
    received: Note | None = Field(
        default=None, description="When it came.", examples=["2026-10-02"]
    )
    tested: Note | None = Field(
        default=None, description="When it was tested.", examples=["2026-10-05 to 2026-10-07"]
    )
    by: Note | None = Field(default=None, description="Who tested it.", examples=["A. Nyman"])
    note: Note | None = Field(
        default=None, description="Anything else about it.", examples=["2.5 kg of a riffle split"]
    )


class HeadObject(SizedLotObject):
    """A head sample, from which everything begins."""

    name: Name = Field(
        default="head", description="Name of the head, unlike any tray's.", examples=["head"]
    )
    kept: LotObject | None = Field(
        default=None,
        description="Where parts of it were fed: what was weighed or assayed of what was kept.",
        examples=[{"net": 210.4}],
    )
    note: Note | None = Field(
        default=None, description="Anything else about the head.", examples=["dried at 105 °C"]
    )


class TareObject(Wire):
    """A tare that was weighed once for several trays of a kind."""

    name: Name = Field(description="Name of the kind of tray.", examples=["steel trays"])
    weighed: WeighingEntry = Field(
        description="What the empty tray weighed. All trays that go by it share this error.",
        examples=[112.6],
    )
    spread: NotNegative = Field(
        default=0.0,
        description="Standard deviation from tray to tray, in the sheet's mass unit: an error of "
        "each tray's own.",
        examples=[0.3],
    )


class TestSheet(Titled):
    """
    A laboratory test, as it was run: heads, and passes with their trays.

    Several tests that share a head are one sheet. Nodes and streams follow from what was fed.
    """

    sample: SampleObject | None = Field(
        default=None,
        description="Words for the head of a report.",
        examples=[{"client": "An invented customer", "received": "2026-10-02"}],
    )
    mass_unit: MassUnit = Field(
        default="g", description=f"Unit of all weights. {UCUM_TEXT}.", examples=["g"]
    )
    components: list[ComponentEntry] = Field(
        default=[],
        description="What is followed: elements, oxides or minerals, as in a balance.",
        examples=[["Sn", {"name": "ThO2", "unit": "ppm"}]],
    )
    analytes: list[AnalyteEntry] = Field(
        default=[],
        description="What the laboratory reports where the components are minerals, as in a "
        "balance.",
        examples=[["TiO2", "Fe2O3"]],
    )
    sizes: SizesObject | None = Field(
        default=None,
        description="The size classes, where sizes are followed.",
        examples=[{"unit": "um", "apertures": [500, 250, 125]}],
    )
    closures: list[ClosureObject] = Field(
        default=[],
        description="Components that make up the whole of the solids; 'streams' are heads and "
        "trays.",
        examples=[[{"components": ["ilmenite", "zircon", "gangue"]}]],
    )
    orders: list[OrderObject] = Field(
        default=[],
        description="Orders of grades that the caller vouches for; 'stream' is a head or a tray.",
        examples=[[{"component": "ilmenite", "stream": "mag 1", "at_least_as_rich_as": "head"}]],
    )
    error_models: ErrorModels = Field(default=[])
    causes: Causes = Field(default=[])
    controls: Controls = Field(default=[])
    errors: ErrorsObject = Field(
        default=ErrorsObject(),
        description="The errors that hold where a result says nothing of its own.",
        examples=[{"weighing": {"sd": 0.5}, "assays": {"Sn": {"sd": 0.03, "relative_sd": 0.012}}}],
    )
    tares: list[TareObject] = Field(
        default=[],
        description="Tares that were weighed once for several trays.",
        examples=[[{"name": "steel trays", "weighed": 112.6, "spread": 0.3}]],
    )
    head: HeadObject | None = Field(
        default=None,
        description="The head, where there is one; 'heads' where there are several.",
        examples=[{"net": 2499.9, "assays": {"Sn": 23.53}}],
    )
    heads: list[HeadObject] = Field(
        default=[],
        description="The heads, where there are several.",
        examples=[[{"name": "head A", "net": 2499.9}, {"name": "head B", "net": 2501.3}]],
    )
    passes: list[PassObject] = Field(
        default=[],
        description="The passes, in the order in which they were run.",
        examples=[
            [
                {
                    "kind": "magnetic",
                    "fed": "head",
                    "products": [
                        {"name": "mag 1", "net": 404.7, "assays": {"Sn": 0.61}},
                        {"name": "rest 1", "net": 1863.8},
                    ],
                }
            ]
        ],
    )
    evidence: EvidenceObject = Field(
        default=EvidenceObject(),
        description="How to judge what may be wrong; left out, as the defaults say.",
        examples=[{"level": 0.01, "control": "holm"}],
    )
    performance: list[SeriesObject] | None = Field(
        default=None,
        max_length=MOST_SERIES,
        description="Heads and trays in order, to tell what was separated. Left out: of each head "
        "that was fed, the trays in the order of the passes, what a magnet took first, a tray that "
        "was passed again by what came of it.",
        examples=[[{"feed": "head", "products": ["mag 1", "rest 1"]}]],
    )
    care: CareObject = Field(
        default=CareObject(),
        description="Rules by which thorium and uranium are judged, and what else was worked "
        "with; 'streams' are heads and trays, all if left out.",
        examples=[{"rule": "sum of fractions"}],
    )
    options: OptionsObject | None = Field(
        default=None,
        description="Options of the calculation.",
        examples=[{"time_budget_s": 10}],
    )


MINIMAL_SHEET = {
    "title": "One magnetic pass",
    "note": "Invented data.",
    "components": ["Sn"],
    "errors": {"weighing": {"sd": 0.5}, "assays": {"Sn": {"sd": 0.05, "relative_sd": 0.015}}},
    "head": {"net": 2500.2, "assays": {"Sn": 31.2}},
    "passes": [
        {
            "kind": "magnetic",
            "fed": "head",
            "settings": {"gap": {"value": 4, "unit": "mm"}},
            "products": [
                {"name": "mag 1", "gross": 1017.6, "tare": 112.6, "assays": {"Sn": [3.38, 3.44]}},
                {"name": "nonmag", "net": 1595.1, "assays": {"Sn": 47.3}},
            ],
        }
    ],
}
"""A complete sheet that fits on a screen, for the interactive documentation."""
