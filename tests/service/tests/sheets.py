"""Sheets for the tests of laboratory tests, and how to send them."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

from service.kit.problems import RefusalError
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.tests.schemas import MINIMAL_SHEET
from service.tests.service import reconcile_test

EXAMPLES = Path(__file__).parents[3] / "openapi" / "examples" / "tests"


def minimal() -> dict[str, Any]:
    """Give the smallest sheet, to be changed at will."""
    return copy.deepcopy(MINIMAL_SHEET)


def two_passes() -> dict[str, Any]:
    """Give a sheet of two passes, the second fed with the rest of the first."""
    assays = {"Sn": {"sd": 0.05, "relative_sd": 0.015}}
    return {
        "note": "Invented data.",
        "components": ["Sn"],
        "errors": {"weighing": {"sd": 0.5}, "assays": assays},
        "head": {"net": 1000.3, "assays": {"Sn": 30.1}},
        "passes": [
            {
                "fed": "head",
                "products": [
                    {"name": "mag 1", "gross": 412.4, "tare": 112.6, "assays": {"Sn": 5.02}},
                    {"name": "rest 1", "net": 700.4, "assays": {"Sn": 40.9}},
                ],
            },
            {
                "name": "narrow gap",
                "fed": "rest 1",
                "products": [
                    {"name": "mag 2", "net": 99.7, "assays": {"Sn": 10.1}},
                    {"name": "nonmag", "net": 600.9, "assays": {"Sn": 45.6}},
                ],
            },
        ],
    }


def parted() -> dict[str, Any]:
    """Give a sheet of one head that was parted for a test and its repeat, some of it kept."""
    error = {"sd": 0.05, "relative_sd": 0.015}
    return {
        "note": "Invented data.",
        "components": ["Sn"],
        "errors": {
            "weighing": {"sd": 0.5},
            "assays": {"Sn": error},
            "splitting": {"relative_sd": 0.01},
        },
        "head": {"net": 2500.0, "assays": {"Sn": 30.1}},
        "passes": [
            {
                "name": "first",
                "fed": {"of": "head", "net": 1000.2},
                "products": [
                    {"name": "mag 1", "net": 299.8, "assays": {"Sn": 5.02}},
                    {"name": "rest 1", "net": 690.4, "assays": {"Sn": 40.9}},
                    {"name": "dust", "loss": {"expected": 8, "sd": 4}},
                ],
            },
            {
                "name": "repeat",
                "fed": {"of": "head", "net": 999.8},
                "products": [
                    {"name": "mag 1b", "net": 302.8, "assays": {"Sn": 5.2}},
                    {"name": "rest 1b", "net": 697.4, "assays": {"Sn": 41.2}},
                ],
            },
        ],
    }


def reconciled(sheet: dict[str, Any]) -> dict[str, Any]:
    """Give the reply to a sheet."""
    reply = as_json(reconcile_test(json.dumps(sheet).encode(), Settings()))
    found: dict[str, Any] = json.loads(reply)
    return found


def faults(sheet: Any) -> list[tuple[str, str, str]]:
    """Give pointer, code and sentence of every fault of a sheet."""
    try:
        reconcile_test(json.dumps(sheet).encode(), Settings())
    except RefusalError as refusal:
        return [(f.pointer, f.code, f.detail) for f in refusal.problem.faults]
    return []
