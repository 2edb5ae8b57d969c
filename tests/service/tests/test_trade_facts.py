"""
What everyone at a magnetic separator knows, on a feed of our own; common practice, no source.

Three discs in one machine, each lifting at two edges, then an electrostatic pass of what is left.
The truth is invented; the sheet reads it with errors, and the reply has to tell it again.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from .invented import Bench
from .sheets import reconciled

MINERALS = {
    "ilmenite": {"TiO2": 0.52, "FeO": 0.46},
    "garnet": {"FeO": 0.33, "Al2O3": 0.20, "SiO2": 0.37},
    "monazite": {"ThO2": 0.06, "P2O5": 0.28},
    "zircon": {"ZrO2": 0.66, "SiO2": 0.32},
    "rutile": {"TiO2": 0.97},
    "quartz": {"SiO2": 0.99},
}
HEAD = {
    "ilmenite": 1400.0,
    "garnet": 300.0,
    "monazite": 60.0,
    "zircon": 420.0,
    "rutile": 160.0,
    "quartz": 260.0,
}
ANALYTES = ("TiO2", "FeO", "Al2O3", "SiO2", "ThO2", "P2O5", "ZrO2")

# What each edge lifts of each mineral, the gap narrowing and the field rising from disc to disc.
EDGES = {
    "disc 1, edge 1": {"ilmenite": 0.52, "garnet": 0.18, "monazite": 0.01, "zircon": 0.004},
    "disc 1, edge 2": {"ilmenite": 0.20, "garnet": 0.04, "monazite": 0.01, "zircon": 0.004},
    "disc 2, edge 1": {"ilmenite": 0.19, "garnet": 0.34, "monazite": 0.05, "zircon": 0.005},
    "disc 2, edge 2": {"ilmenite": 0.05, "garnet": 0.25, "monazite": 0.08, "zircon": 0.005},
    "disc 3, edge 1": {"ilmenite": 0.02, "garnet": 0.12, "monazite": 0.55, "zircon": 0.01},
    "disc 3, edge 2": {"ilmenite": 0.01, "garnet": 0.05, "monazite": 0.22, "zircon": 0.01},
}
ILMENITE_PRODUCT = "disc 1, edge 1"


def _bench() -> Bench:
    errors = dict.fromkeys(ANALYTES, (0.02, 0.006))
    bench = Bench(MINERALS, dict.fromkeys(ANALYTES, 100.0), errors, 0.2, 7)
    bench.lots["head"] = dict(HEAD)
    lifted = {edge: shares | {"rutile": 0.004, "quartz": 0.006} for edge, shares in EDGES.items()}
    bench.part(["head"], lifted, "nonmag")
    conducted = {"conductors": {"rutile": 0.93, "ilmenite": 0.9, "zircon": 0.02, "quartz": 0.03}}
    bench.part(["nonmag"], conducted, "non-conductors")
    return bench


def _sheet() -> dict[str, Any]:
    bench = _bench()

    def tray(name: str) -> dict[str, Any]:
        return {"name": name, "net": bench.weighed(name), "assays": bench.assayed(name, ANALYTES)}

    def contents(mineral: str) -> list[dict[str, Any]]:
        return [{"analyte": a, "value": 100 * part} for a, part in MINERALS[mineral].items()]

    return {
        "note": "Invented data.",
        "components": [{"name": m, "contents": contents(m)} for m in MINERALS],
        "analytes": [*ANALYTES],
        "errors": {
            "weighing": {"sd": 0.2},
            "assays": {a: {"sd": 0.02, "relative_sd": 0.006} for a in ANALYTES},
        },
        "head": {"net": bench.weighed("head"), "assays": bench.assayed("head", ANALYTES)},
        "passes": [
            {
                "kind": "magnetic",
                "fed": "head",
                "settings": {"note": "three discs, gaps of 4, 3 and 2 mm"},
                "products": [*map(tray, EDGES), {"name": "nonmag"}],
            },
            {
                "kind": "electrostatic",
                "fed": "nonmag",
                "settings": {"voltage": {"value": 22, "unit": "kV"}},
                "products": [tray("conductors"), tray("non-conductors")],
            },
        ],
    }


@cache
def _reply() -> dict[str, Any]:
    return reconciled(_sheet())


def _grades(name: str, of: str = "assays", by: str = "component") -> dict[str, float]:
    (stream,) = (s for s in _reply()["streams"] if s["name"] == name)
    return {grade[by]: grade["value"] for grade in stream[of]}


def _recovered(mineral: str, products: set[str]) -> float:
    (found,) = (r for r in _reply()["recoveries"] if r["component"] == mineral)
    return sum(p["value"] for p in found["products"] if p["product"] in products)


def test_three_discs_give_up_to_seven_products() -> None:
    """Two edges at each of three discs, and what none of them lifts (common practice)."""
    (discs, _) = _reply()["passes"]

    assert 7 == len(discs["products"])
    assert 100 == pytest.approx(sum(p["of_feed"]["value"] for p in discs["products"]))


def test_ilmenite_responds_before_garnet_before_monazite() -> None:
    """In this order they are lifted by the first disc, and by the first two (common practice)."""
    for discs in (1, 2):
        edges = {edge for edge in EDGES if int(edge[5]) <= discs}
        lifted = [_recovered(m, edges) for m in ("ilmenite", "garnet", "monazite")]

        assert lifted == sorted(lifted, reverse=True)


@pytest.mark.parametrize("mineral", ["zircon", "rutile", "quartz"])
def test_zircon_rutile_and_quartz_report_non_magnetic(mineral: str) -> None:
    """All discs together lift a few parts in a hundred of them (common practice)."""
    assert _recovered(mineral, set(EDGES)) < 6


def test_a_good_ilmenite_product_is_told_by_its_mineral_not_by_its_titania() -> None:
    """It holds 90 to 94 % ilmenite (common practice); its TiO2 is far below that."""
    assert 90 < _grades(ILMENITE_PRODUCT)["ilmenite"] < 94
    assert _grades(ILMENITE_PRODUCT, "analytes", "analyte")["TiO2"] < 52


def test_what_is_not_magnetic_goes_on_to_other_machines() -> None:
    """Electrostatically rutile parts from zircon, which the magnet cannot do (common practice)."""
    nonmag, conductors, rest = map(_grades, ("nonmag", "conductors", "non-conductors"))

    assert conductors["rutile"] > 3 * nonmag["rutile"]
    assert rest["zircon"] > nonmag["zircon"] > conductors["zircon"]
    assert rest["rutile"] < 3


def test_the_reply_tells_the_truth_behind_the_sheet() -> None:
    """Grades lie about the invented truth as their sds say, and nothing is found wrong."""
    bench = _bench()
    off = []
    for stream in _reply()["streams"]:
        minerals = bench.lots[stream["name"]]
        whole = sum(minerals.values())
        off += [
            (a["value"] - 100 * minerals[a["component"]] / whole) / a["sd"]
            for a in stream["assays"]
            if a["sd"]
        ]

    assert _reply()["test"]["p_value"] > 0.05
    assert sum(abs(z) > 2 for z in off) < 0.12 * len(off)
