"""Examples that stand in the contract; invented, as all examples are."""

from __future__ import annotations

from typing import Any

DIGEST = "9f2c4d1b7a6e5038c1d2e3f4a5b697887766554433221100ffeeddccbbaa9988"
_ADDRESS = "/v1/sites/tin-shed/shifts/2026-03-01/night/balances/main"

SHIFT: dict[str, Any] = {
    "key": "2026-03-01/night",
    "start": "2026-03-01T10:00:00Z",
    "end": "2026-03-01T22:00:00Z",
}
ENGINE = {"evenlode": "0.1.0", "python": "3.11.9", "numpy": "2.4.0", "machine": "Linux x86_64"}
NOTED: dict[str, Any] = {
    "source": "site laboratory",
    "sample_point": "FEED-A",
    "analyte": "Sn",
    "time": "2026-03-01T12:00:00Z",
    "version": 2,
    "result": {"status": "final", "value": 31.2, "note": "Invented data."},
    "standing": "current",
    "shifts": ["2026-03-01/night"],
    "as": "/readings/3",
    "why": None,
    "decision": None,
    "lapsed": False,
}
PARKED: dict[str, Any] = {
    "tag": "WIT-999",
    "count": 12,
    "first": "2026-03-01T10:00:00Z",
    "last": "2026-03-01T21:00:00Z",
}
ENTRY: dict[str, Any] = {
    "number": 7,
    "at": "2026-03-02T01:00:00Z",
    "kind": "sign",
    "person": "A. Metallurgist",
    "key": {"id": "", "name": "this machine"},
    "reason": "all assays final, no suspect left",
    "about": {
        "balance": _ADDRESS,
        "revision": 3,
        "digest": DIGEST,
        "meaning": "approved for the monthly balance",
    },
    "before": "0" * 64,
    "digest": DIGEST,
}
SUMMARY: dict[str, Any] = {
    "outcome": "closed",
    "statistic": 5.3,
    "degrees_of_freedom": 6,
    "p_value": 0.51,
    "findings": [],
    "used": 6,
    "not_used": 1,
    "engine": "0.1.0",
}
REVISION: dict[str, Any] = {
    "revision": 3,
    "standing": "signed",
    "digest": DIGEST,
    "made_at": "2026-03-02T00:10:00Z",
    "summary": SUMMARY,
    "address": f"{_ADDRESS}/revisions/3",
}
BALANCE: dict[str, Any] = {
    "flowsheet": "main",
    "day": "2026-03-01",
    "shift": "night",
    "start": "2026-03-01T10:00:00Z",
    "end": "2026-03-01T22:00:00Z",
    "standing": "open",
    "stale": False,
    "revision": 3,
    "newest": 3,
    "digest": DIGEST,
    "p_value": 0.51,
    "findings": [],
    "used": 6,
    "not_used": 1,
    "problem": None,
    "address": _ADDRESS,
}
RECONCILED: dict[str, Any] = {
    "flowsheet": "main",
    "shift": "2026-03-01/night",
    "revision": 3,
    "streams": ["feed"],
    "stock": None,
    "of": "Sn",
    "unit": "%",
    "value": 31.2,
    "limit": None,
    "sd": 0.62,
    "reconciled": 31.9,
    "reconciled_sd": 0.4,
    "adjustment": 0.7,
    "standardised": 1.5,
    "class": "redundant",
    "left_out": None,
    "statement": None,
    "sources": [
        {
            "source": "site laboratory",
            "sample_point": "FEED-A",
            "analyte": "Sn",
            "time": "2026-03-01T12:00:00Z",
            "version": 2,
        }
    ],
}
DISAGREEMENT: dict[str, Any] = {
    "line": 1,
    "reading": "0195a4a0-1c00-7a00-8000-000000000001",
    "what": "The Sn assay of 'mag 1' is 5.5 sd above what the other readings allow.",
    "disagrees": True,
    "priority": 1,
    "shift": "2026-03-01/night",
    "flowsheet": "main",
    "revision": 3,
    "of": "Sn",
    "streams": ["mag 1"],
    "unit": "%",
    "value": 4.4,
    "sd": 0.1,
    "reconciled": 3.6,
    "off_by": 1.1,
    "off_by_sd": 0.2,
    "statistic": 5.5,
    "adjusted": 1e-6,
    "probability": 91.0,
}
CHANGE: dict[str, Any] = {
    "reading": "Sn at FEED-A of site laboratory, 2026-03-01T12:00:00Z",
    "change": "corrected",
    "before": NOTED | {"version": 1, "result": {"status": "preliminary", "value": 30.1}},
    "after": NOTED,
}
FIGURE: dict[str, Any] = {
    "figure": "mass of 'feed'",
    "unit": "t",
    "before": 812.4,
    "before_sd": 3.1,
    "after": 815.0,
    "after_sd": 3.0,
    "in_sd": 0.84,
}
DIFFERENCE: dict[str, Any] = {
    "since": 2,
    "revision": 3,
    "statements": ["Mass of 'feed': 812.4 -> 815.0 t (+0.8 sd)."],
    "readings": [CHANGE],
    "figures": [FIGURE],
}
