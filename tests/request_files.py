"""
Requests as files: the trade's units in, engine values in between, plain documents out.

Independent of the service, so that engine checks do not hang on it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from reconcile import Flowsheet, Reading, Stream
from reconcile.balance import Balance, Estimate, Known
from reconcile.readings import combined_sd

WHOLE = {"%": 100.0, "ppm": 1e6, "g/t": 1e6, "ppb": 1e9, "fraction": 1.0}
"""How much of each assay unit makes up the whole."""


def _plain(item: Any, key: str = "name") -> dict[str, Any]:
    return item if isinstance(item, dict) else {key: item}


def units_of(request: dict[str, Any]) -> dict[str, float]:
    """Give each component's assay unit as a number of units in the whole."""
    components = [_plain(c) for c in request["flowsheet"].get("components", [])]
    return {c["name"]: WHOLE[c.get("unit", "%")] for c in components}


def flowsheet_of(request: dict[str, Any]) -> Flowsheet:
    """Give the flowsheet of a request."""
    sheet = request["flowsheet"]
    return Flowsheet(
        tuple(_plain(n)["name"] for n in sheet["nodes"]),
        tuple(Stream(s["name"], s.get("from"), s.get("to")) for s in sheet["streams"]),
        tuple(units_of(request)),
    )


def readings_of(request: dict[str, Any]) -> tuple[Reading, ...]:
    """Give the readings of a request, assays as mass fractions; a null value is no reading."""
    units = units_of(request)
    readings = []
    for r in request["readings"]:
        if r["value"] is None:
            continue
        whole = WHOLE[r["unit"]] if r["of"] != "mass" and "unit" in r else units.get(r["of"], 1.0)
        sd = combined_sd(r["value"], r.get("sd"), r.get("relative_sd"))
        readings.append(Reading(r["stream"], r["of"], r["value"] / whole, sd / whole))
    return tuple(readings)


def load(path: Path) -> dict[str, Any]:
    """Read a request."""
    return dict(json.loads(path.read_text(encoding="utf-8")))


def _scaled(value: float | None, whole: float) -> float | None:
    return None if value is None else value * whole


def _known(known: Known, whole: float) -> dict[str, Any]:
    return {
        "value": _scaled(known.value, whole),
        "sd": _scaled(known.sd, whole),
        "class": str(known.knowledge),
    }


def _estimate(estimate: Estimate, whole: float) -> dict[str, Any]:
    return {
        "value": _scaled(estimate.value, whole),
        "sd": _scaled(estimate.sd, whole),
        "class": str(estimate.knowledge),
        "reading": _scaled(estimate.reading, whole),
        "adjustment": _scaled(estimate.adjustment, whole),
        "standardised": estimate.standardised,
    }


def document_of(balance: Balance, request: dict[str, Any]) -> dict[str, Any]:
    """
    Give a balance as nested members, in the units of its request.

    ``masses/STREAM``, ``assays/STREAM/COMPONENT``, ``yields/STREAM`` and
    ``recoveries/COMPONENT/STREAM`` and ``splits/QUANTITY/STREAM`` in per cent, ``test``,
    ``outcome``.
    """
    units = units_of(request)
    document: dict[str, Any] = {
        "outcome": str(balance.outcome),
        "masses": {s: _estimate(e, 1.0) for s, e in balance.masses.items()},
        "assays": {},
        "yields": {s: _known(k, 100.0) for s, k in balance.yields.items()},
        "recoveries": {},
        "splits": {},
        "active bounds": [f"{b.stream}: {b.of}: {b.bound}" for b in balance.active_bounds],
    }
    for (s, c), e in balance.assays.items():
        document["assays"].setdefault(s, {})[c] = _estimate(e, units[c])
    for (s, c), k in balance.recoveries.items():
        document["recoveries"].setdefault(c, {})[s] = _known(k, 100.0)
    for (s, q), k in balance.splits.items():
        document["splits"].setdefault(q, {})[s] = _known(k, 100.0)
    if balance.test is not None:
        document["test"] = {
            "statistic": balance.test.statistic,
            "degrees_of_freedom": balance.test.degrees_of_freedom,
            "p_value": balance.test.p_value,
        }
    return document
