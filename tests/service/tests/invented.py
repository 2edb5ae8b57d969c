"""
How the example sheets were made: minerals first, then what a laboratory would read of them.

``python -m tests.service.tests.invented`` writes them anew; a test holds the files to it.

Feeds, splits and compositions are invented.  Every tray holds what the splits say, to the gram; it
is then weighed and assayed with the errors that its sheet states, drawn from a fixed seed.  So the
truth behind each sheet is known, and a sheet that does not reconcile is not the sheet's doing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

Minerals = dict[str, float]
"""Grams of each mineral in a lot."""


DETECTION = 3.0
"""Detection limit in standard deviations of a blank, by convention."""


@dataclass
class Bench:
    """A laboratory that knows the truth: lots by name, and how well it weighs and assays."""

    contents: Mapping[str, Mapping[str, float]]  # mineral: analyte: fraction
    units: Mapping[str, float]  # analyte: how many of its units make up the whole
    errors: Mapping[str, tuple[float, float]]  # analyte: sd in its unit, relative sd
    weighing: float
    seed: int
    lots: dict[str, Minerals] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Begin with a fresh row of random numbers."""
        self.random = np.random.default_rng(self.seed)

    def part(self, fed: Sequence[str], to: Mapping[str, Mapping[str, float]], rest: str) -> None:
        """Run a pass: ``to`` gives for each product the share of each mineral; the rest is left."""
        whole = self.together(fed)
        left = dict(whole)
        for product, shares in to.items():
            self.lots[product] = {m: whole[m] * shares.get(m, 0.0) for m in whole}
            left = {m: left[m] - self.lots[product][m] for m in left}
        self.lots[rest] = left

    def together(self, names: Sequence[str]) -> Minerals:
        """Give several lots as one."""
        minerals = self.lots[names[0]]
        return {m: sum(self.lots[name][m] for name in names) for m in minerals}

    def grade(self, minerals: Minerals, analyte: str) -> float:
        """Give the true grade of a lot in the analyte's unit."""
        carried = sum(w * self.contents[m].get(analyte, 0.0) for m, w in minerals.items())
        return self.units[analyte] * carried / sum(minerals.values())

    def weighed(self, names: str | Sequence[str]) -> float:
        """Weigh a lot, or several together."""
        true = sum(self.together([names] if isinstance(names, str) else names).values())
        return round(float(self.random.normal(true, self.weighing)), 1)

    def assayed(self, name: str, analytes: Sequence[str], times: int = 1) -> dict[str, Any]:
        """Assay a lot; the first analyte several times."""
        found: dict[str, Any] = {}
        for analyte in analytes:
            sd, relative = self.errors[analyte]
            true = self.grade(self.lots[name], analyte)
            count = times if analyte == analytes[0] else 1
            values = self.random.normal(true, np.hypot(sd, relative * true), count)
            digits = 2 if self.units[analyte] == 100 else -1
            read = [round(float(value), digits) for value in values]
            found[analyte] = read if count > 1 else read[0]
            if max(read) <= 0 and true >= 0:  # a laboratory prints no such number
                found[analyte] = {"below": round(DETECTION * sd, 6)}
        return found


TIN = {
    "cassiterite": {"Sn": 0.755},
    "ilmenite": {"TiO2": 0.515, "Fe": 0.335},
    "magnetite": {"Fe": 0.71},
    "garnet": {"Fe": 0.27, "SiO2": 0.37},
    "wolframite": {"WO3": 0.75, "Fe": 0.13},
    "monazite": {"ThO2": 0.065, "U3O8": 0.003, "SiO2": 0.015},
    "xenotime": {"ThO2": 0.008, "U3O8": 0.006},
    "zircon": {"ZrO2": 0.655, "SiO2": 0.325, "ThO2": 0.0002, "U3O8": 0.0003},
    "rutile": {"TiO2": 0.97},
    "quartz": {"SiO2": 0.995},
}
"""Fractions of what is assayed in each mineral: invented, near those of common specimens."""

TIN_HEAD = {
    "cassiterite": 775.0,
    "ilmenite": 690.0,
    "magnetite": 105.0,
    "garnet": 210.0,
    "wolframite": 105.0,
    "monazite": 62.0,
    "xenotime": 13.0,
    "zircon": 340.0,
    "rutile": 70.0,
    "quartz": 130.0,
}
TIN_UNITS = {"Sn": 1e2, "TiO2": 1e2, "ZrO2": 1e2, "Fe": 1e2, "WO3": 1e2, "SiO2": 1e2} | {
    "ThO2": 1e6,
    "U3O8": 1e6,
}
TIN_ERRORS = {
    "Sn": (0.03, 0.012),
    "TiO2": (0.03, 0.015),
    "ZrO2": (0.03, 0.02),
    "Fe": (0.03, 0.015),
    "WO3": (0.02, 0.025),
    "SiO2": (0.05, 0.02),
    "ThO2": (20.0, 0.04),
    "U3O8": (15.0, 0.06),
}

# Shares of each mineral that a pass lifts; what a field holds comes first.
SCALPED = {"magnetite": 0.96, "ilmenite": 0.02, "garnet": 0.002}
FIRST = {
    "mag 1": {"ilmenite": 0.80, "magnetite": 0.9, "garnet": 0.03, "wolframite": 0.05}
    | {"cassiterite": 0.004, "monazite": 0.006, "xenotime": 0.01, "zircon": 0.001, "rutile": 0.002},
    "middling 1": {"ilmenite": 0.14, "magnetite": 0.08, "garnet": 0.10, "wolframite": 0.14}
    | {"cassiterite": 0.02, "monazite": 0.03, "xenotime": 0.04, "zircon": 0.008, "rutile": 0.012}
    | {"quartz": 0.006},
    "dust": dict.fromkeys(TIN, 0.005),
}
SECOND = {
    "mag 2": {"ilmenite": 0.86, "magnetite": 0.8, "garnet": 0.78, "wolframite": 0.70}
    | {"cassiterite": 0.008, "monazite": 0.10, "xenotime": 0.14, "zircon": 0.004, "rutile": 0.01}
    | {"quartz": 0.002},
    "middling 2": {"ilmenite": 0.09, "magnetite": 0.1, "garnet": 0.14, "wolframite": 0.17}
    | {"cassiterite": 0.03, "monazite": 0.16, "xenotime": 0.18, "zircon": 0.012, "rutile": 0.03}
    | {"quartz": 0.01},
}
THIRD = {
    "mag 3": {"ilmenite": 0.9, "magnetite": 0.9, "garnet": 0.85, "wolframite": 0.88}
    | {"cassiterite": 0.012, "monazite": 0.86, "xenotime": 0.88, "zircon": 0.012, "rutile": 0.04}
    | {"quartz": 0.004},
}
AGAIN = {
    "mag 4": {"ilmenite": 0.93, "magnetite": 0.95, "garnet": 0.86, "wolframite": 0.82}
    | {"cassiterite": 0.03, "monazite": 0.55, "xenotime": 0.6, "zircon": 0.02, "rutile": 0.05}
    | {"quartz": 0.01},
}


def _field(tesla: float, ampere: float, gap: float) -> dict[str, Any]:
    return {
        "field": {"value": tesla, "unit": "T"},
        "coil_current": {"value": ampere, "unit": "A"},
        "gap": {"value": gap, "unit": "mm"},
        "belt_speed": {"value": 0.2, "unit": "m/s"},
        "feed_rate": {"value": 30, "unit": "kg/h"},
    }


def tin_bench() -> Bench:
    """Give the tin-shed test as it truly was."""
    bench = Bench(TIN, TIN_UNITS, TIN_ERRORS, 0.3, 20261127)
    bench.lots["head"] = dict(TIN_HEAD)
    bench.part(["head"], {"ferrous": SCALPED}, "scalped")
    bench.part(["scalped"], FIRST, "rest 1")
    bench.part(["rest 1"], SECOND, "rest 2")
    bench.part(["rest 2"], THIRD, "nonmag")
    bench.part(["middling 1", "middling 2"], AGAIN, "rest 4")
    return bench


def tin_sheet() -> dict[str, Any]:
    """Give the sheet that the laboratory wrote of the tin-shed test."""
    bench = tin_bench()
    all_of = [*TIN_UNITS]
    tare = 112.6  # as weighed once; the trays themselves are as much as 0.4 g apart
    trays = {"steel trays": tare}

    def tray(name: str, times: int = 1, assayed: bool = True, **more: Any) -> dict[str, Any]:
        gross = round(bench.weighed(name) + tare + float(bench.random.normal(0, 0.2)), 1)
        given = {"name": name, "gross": gross, "tare": "steel trays", **more}
        return given | ({"assays": bench.assayed(name, all_of, times)} if assayed else {})

    def errors(analyte: str) -> dict[str, float]:
        sd, relative = TIN_ERRORS[analyte]
        return {"sd": sd, "relative_sd": relative}

    head = {"net": bench.weighed("head"), "assays": bench.assayed("head", all_of, 3)}
    ferrous = tray("ferrous", magnetic=True, note="tramp iron picked out by hand")
    first = [
        tray("mag 1", magnetic=True),
        tray("middling 1"),
        {"name": "dust", "loss": {"expected": 15, "sd": 8}},
        {"name": "rest 1", "net": bench.weighed("rest 1")},
    ]
    second = [
        tray("mag 2", magnetic=True),
        tray("middling 2", assayed=False),
        {"name": "rest 2", "assays": bench.assayed("rest 2", all_of)},
    ]
    third = [tray("mag 3", 2, magnetic=True), tray("nonmag", 3)]
    again = [tray("mag 4", magnetic=True), tray("rest 4")]
    ppm = {"ThO2": "ppm", "U3O8": "ppm"}
    theoretical = {"Sn": 78.77, "ZrO2": 67.22, "WO3": 76.57}
    return {
        "title": "Tin-shed concentrate over three magnetic stages, the middlings passed again",
        "note": "Invented data. A low field took out what is ferromagnetic; the rest went over "
        "three fields of rising strength, and both middlings together once more over the second. "
        "Rest 2 went on without being weighed, middling 2 was not assayed, and dust was lost in "
        "the first stage: the balance finds them. Monazite carries "
        "thorium and uranium, and dry dressing makes silica dust: follow local rules.",
        "sample": {
            "client": "An invented customer",
            "received": "2026-10-02",
            "tested": "2026-10-05 to 2026-10-07",
            "note": "2.5 kg, a riffle split of a 25 kg bag, dried at 105 °C",
        },
        "mass_unit": "g",
        "components": [
            {"name": name, "unit": ppm.get(name, "%")}
            | ({"theoretical": theoretical[name]} if name in theoretical else {})
            for name in TIN_UNITS
        ],
        "errors": {
            "weighing": {"sd": 0.3},
            "assays": {name: errors(name) for name in TIN_UNITS},
        },
        "tares": [{"name": n, "weighed": w, "spread": 0.2} for n, w in trays.items()],
        "head": head,
        "passes": [
            {
                "name": "low field",
                "kind": "scalping",
                "fed": "head",
                "settings": {"field": {"value": 0.08, "unit": "T"}},
                "products": [ferrous, {"name": "scalped", "net": bench.weighed("scalped")}],
            },
            {
                "name": "first field",
                "kind": "magnetic",
                "fed": "scalped",
                "settings": _field(0.35, 2, 4),
                "products": first,
            },
            {
                "name": "second field",
                "kind": "magnetic",
                "fed": "rest 1",
                "settings": _field(0.7, 4, 4),
                "products": second,
            },
            {
                "name": "third field",
                "kind": "magnetic",
                "fed": "rest 2",
                "settings": _field(1.2, 6, 2),
                "products": third,
            },
            {
                "name": "middlings again",
                "kind": "magnetic",
                "fed": ["middling 1", "middling 2"],
                "feed": {"net": bench.weighed(["middling 1", "middling 2"])},
                "settings": _field(0.7, 4, 4),
                "products": again,
            },
        ],
    }


SAND = {
    "chromite": {"Cr2O3": 0.463, "Fe2O3": 0.292, "Al2O3": 0.150, "MgO": 0.092, "LOI": -0.012},
    "quartz": {"SiO2": 0.995, "Al2O3": 0.003, "LOI": 0.001},
    "metal": {"Fe2O3": 1.4297, "LOI": -0.4297},
    "binder": {"LOI": 0.93, "SiO2": 0.04, "Al2O3": 0.02},
}
"""Fractions; iron burns to Fe2O3 and grows heavier by it, so its loss on ignition is negative."""

SAND_HEAD = {"chromite": 4310.0, "quartz": 1480.0, "metal": 96.0, "binder": 114.0}
SAND_UNITS = dict.fromkeys(("Cr2O3", "SiO2", "Fe2O3", "Al2O3", "MgO", "LOI"), 1e2)
SAND_ERRORS = {
    "Cr2O3": (0.05, 0.010),
    "SiO2": (0.05, 0.015),
    "Fe2O3": (0.05, 0.012),
    "Al2O3": (0.05, 0.020),
    "MgO": (0.05, 0.025),
    "LOI": (0.06, 0.02),
}

# Shares of each mineral that go to the first products of a pass; the rest goes to the last.
SCREENED = {"lumps": {"chromite": 0.012, "quartz": 0.012, "metal": 0.42, "binder": 0.24}}
DESLIMED = {"fines": {"chromite": 0.006, "quartz": 0.022, "metal": 0.02, "binder": 0.46}}
METAL_OUT = {"metal": {"metal": 0.93, "chromite": 0.003, "quartz": 0.001, "binder": 0.02}}
WIDE_GAP = {
    "chromite 1": {"chromite": 0.90, "quartz": 0.004, "metal": 0.8, "binder": 0.03},
    "middling 1": {"chromite": 0.07, "quartz": 0.025, "metal": 0.1, "binder": 0.08},
}
NARROW_GAP = {
    "chromite 2": {"chromite": 0.82, "quartz": 0.006, "metal": 0.8, "binder": 0.03},
}
MIDDLING = {"chromite 3": {"chromite": 0.78, "quartz": 0.05, "metal": 0.9, "binder": 0.1}}


def sand_bench() -> Bench:
    """Give the test on reclaimed foundry sand as it truly was."""
    bench = Bench(SAND, SAND_UNITS, SAND_ERRORS, 0.5, 20261128)
    bench.lots["head"] = {m: 2 * w for m, w in SAND_HEAD.items()}
    bench.lots["head to screen"] = dict(SAND_HEAD)
    bench.part(["head to screen"], SCREENED, "screened")
    bench.part(["screened"], DESLIMED, "sand")
    bench.part(["sand"], METAL_OUT, "scalped")
    bench.part(["scalped"], WIDE_GAP, "rest 1")
    bench.part(["rest 1"], NARROW_GAP, "quartz sand")
    bench.part(["middling 1"], MIDDLING, "middling rest")
    return bench


def sand_sheet() -> dict[str, Any]:
    """Give the sheet that the laboratory wrote of the foundry sand."""
    bench = sand_bench()
    all_of = [*SAND_UNITS]

    def tray(name: str, times: int = 1, assayed: bool = True, **more: Any) -> dict[str, Any]:
        given = {"name": name, "net": bench.weighed(name), **more}
        return given | ({"assays": bench.assayed(name, all_of, times)} if assayed else {})

    def contents(mineral: str, sd: float) -> list[dict[str, Any]]:
        return [
            {"analyte": a, "value": round(100 * part, 2), "sd": sd if part > 0.03 else 0.1}
            for a, part in SAND[mineral].items()
        ]

    return {
        "title": "Chromite from reclaimed foundry sand",
        "note": "Invented data. Lumps and dust were taken off first and tramp metal by a low "
        "field; chromite was lifted at a gap of 4 mm, then of 2 mm, and the middling once more. "
        "One half of the head was tested, the other kept. The composition of the minerals is "
        "known from picked grains. Dry sand makes silica dust: work with extraction and follow "
        "local rules.",
        "sample": {
            "client": "An invented foundry",
            "received": "2026-11-03",
            "tested": "2026-11-09",
            "note": "12 kg of reclaimed sand, dry, quartered once",
        },
        "mass_unit": "g",
        "components": [
            {"name": "chromite", "contents": contents("chromite", 0.4)},
            {"name": "quartz", "contents": contents("quartz", 0.2)},
            {"name": "metal", "formula": "Fe", "contents": contents("metal", 0.5)},
            {"name": "binder", "contents": contents("binder", 2.0)},
        ],
        "analytes": [{"name": name} for name in SAND_UNITS],
        "closures": [{"components": [*SAND]}],
        "errors": {
            "weighing": {"sd": 0.5},
            "assays": {n: {"sd": s, "relative_sd": r} for n, (s, r) in SAND_ERRORS.items()},
            "splitting": {"relative_sd": 0.01},
        },
        "head": {"net": bench.weighed("head"), "assays": bench.assayed("head", all_of, 2)},
        "passes": [
            {
                "name": "screen",
                "kind": "screening",
                "fed": {"of": "head", "net": bench.weighed("head to screen")},
                "settings": {"aperture": {"value": 1, "unit": "mm"}},
                "products": [
                    tray("lumps", note="binder lumps and metal beads"),
                    {"name": "screened"},
                ],
            },
            {
                "name": "dust",
                "kind": "desliming",
                "fed": "screened",
                "settings": {"aperture": {"value": 63, "unit": "um"}},
                "products": [tray("fines"), {"name": "sand", "net": bench.weighed("sand")}],
            },
            {
                "name": "low field",
                "kind": "scalping",
                "fed": "sand",
                "settings": {"field": {"value": 0.12, "unit": "T"}},
                "products": [
                    tray("metal", assayed=False, magnetic=True),
                    tray("scalped"),
                ],
            },
            {
                "name": "wide gap",
                "kind": "magnetic",
                "fed": "scalped",
                "settings": _field(0.8, 4, 4),
                "products": [
                    tray("chromite 1", 2, magnetic=True),
                    tray("middling 1", assayed=False),
                    {"name": "rest 1", "assays": bench.assayed("rest 1", all_of)},
                ],
            },
            {
                "name": "narrow gap",
                "kind": "magnetic",
                "fed": "rest 1",
                "settings": _field(1.1, 5, 2),
                "products": [tray("chromite 2", magnetic=True), tray("quartz sand", 2)],
            },
            {
                "name": "middling again",
                "kind": "magnetic",
                "fed": "middling 1",
                "settings": _field(0.8, 4, 4),
                "products": [tray("chromite 3", magnetic=True), tray("middling rest")],
            },
        ],
    }


SHEETS = {
    "tin-shed-over-three-stages": tin_sheet,
    "chromite-from-foundry-sand": sand_sheet,
}
"""The example sheets by the names of their files."""


def written(value: Any, indent: str = "") -> str:
    """Write JSON as a person would: what fits on a line stands on one."""
    line = json.dumps(value, ensure_ascii=False)
    inner = indent + "  "
    if len(indent) + len(line) <= 100 or not isinstance(value, dict | list):
        return line
    if isinstance(value, list):
        parts = [f"{inner}{written(entry, inner)}" for entry in value]
        return "[\n" + ",\n".join(parts) + f"\n{indent}]"
    parts = [f"{inner}{json.dumps(k)}: {written(v, inner)}" for k, v in value.items()]
    return "{\n" + ",\n".join(parts) + f"\n{indent}}}"


if __name__ == "__main__":
    folder = Path(__file__).parents[3] / "openapi" / "examples" / "tests"
    for name, made in SHEETS.items():
        (folder / f"{name}.json").write_text(written(made()) + "\n", encoding="utf-8")
