"""Every case folder beside this file: what goes in, what must come out, and who says so."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from reconcile import reconcile_balance
from tests.request_files import document_of, flowsheet_of, load, readings_of

HERE = Path(__file__).parent
BALANCES = sorted(p.parent for p in HERE.glob("*/request.json"))
LABELS = {"M+", "M", "R", "C"}


def _at(document: dict[str, Any], path: str) -> Any:
    value: Any = document
    for member in path.split("/"):
        value = value[member]
    return value


def _differs(expected: Any, found: Any, tolerance: dict[str, float]) -> bool:
    wanted = expected["value"] if isinstance(expected, dict) else expected
    if wanted is None or found is None or isinstance(wanted, str):
        return bool(wanted != found)
    own = expected if isinstance(expected, dict) else {}
    if own.get("magnitude"):
        found = abs(found)
    return not math.isclose(
        wanted,
        found,
        abs_tol=own.get("absolute", tolerance.get("absolute", 0.0)),
        rel_tol=own.get("relative", tolerance.get("relative", 0.0)),
    )


@pytest.mark.parametrize("case", BALANCES, ids=lambda p: p.name)
def test_a_balance_agrees_with_its_source(case: Path):
    """The engine gives every value that the named source gives, within its tolerance."""
    request = load(case / "request.json")
    expected = load(case / "expected.json")
    balance = reconcile_balance(flowsheet_of(request), readings_of(request))

    document = document_of(balance, request)

    wrong = {
        path: (value, _at(document, path))
        for path, value in expected["expected"].items()
        if _differs(value, _at(document, path), expected["tolerance"])
    }
    assert wrong == {}, expected["source"]


@pytest.mark.parametrize("case", BALANCES, ids=lambda p: p.name)
def test_a_case_names_its_source(case: Path):
    """A check without a source, a known label and something to compare is no check."""
    expected = json.loads((case / "expected.json").read_text(encoding="utf-8"))

    assert expected["source"]
    assert LABELS & set(expected["label"].replace(",", " ").split())
    assert expected["expected"]


def test_there_are_cases():
    """The walk finds the folders; an empty walk would pass everything."""
    assert len(BALANCES) >= 15
