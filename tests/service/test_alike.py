"""Streams that were said to be alike, wherever a flowsheet is taken."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from service.drift.service import drift
from service.kit.settings import Settings
from service.sampling_plans.service import plan

from .client import minimal, post

Faults = set[tuple[str, str]]


def _dusty(**likeness: Any) -> dict[str, Any]:
    """Give the first request with dust that is like the feed."""
    request = minimal()
    request["flowsheet"]["streams"].append({"name": "dust", "from": "stage 1", "kind": "loss"})
    alike = {"streams": ["dust", "feed"], "relative_sd": 0.2} | likeness
    request["flowsheet"]["likenesses"] = [alike]
    request["readings"].append({"stream": "dust", "of": "mass", "value": 8, "sd": 4})
    return request


def _faults(request: dict[str, Any]) -> Faults:
    return {(fault["pointer"], fault["code"]) for fault in post(request).json()["faults"]}


def test_what_is_alike_is_said_and_estimated() -> None:
    """Dust that nobody assayed has a grade, and a sentence says what it rests on."""
    reply = post(_dusty()).json()

    (dust,) = (s["assays"][0] for s in reply["streams"] if s["name"] == "dust")
    assert "observable" == dust["class"]
    assert 0.2 * 2**0.5 == pytest.approx(dust["sd"] / 31.2, rel=0.1)
    assert (
        "Taken to have the same grades, each within 20 % of them (one sd): 'dust', 'feed'."
        in reply["statements"]
    )


def test_without_likeness_the_grade_of_dust_is_what_the_rest_leaves() -> None:
    """The likeness is what makes the dust known as well as it is."""
    request = _dusty()
    del request["flowsheet"]["likenesses"]

    (free,) = (s["assays"][0] for s in post(request).json()["streams"] if s["name"] == "dust")

    assert free["value"] is None or free["sd"] > 9


@pytest.mark.parametrize(
    ("likeness", "expected"),
    [
        ({"streams": ["dust", "fed"]}, ("/streams/1/stream", "unknown-stream")),
        ({"streams": ["dust"]}, ("/streams", "likeness-of-one-stream")),
        ({"streams": ["dust", "dust"]}, ("/streams", "likeness-of-one-stream")),
        ({"relative_sd": 0}, ("/streams/0", "likeness-without-error")),
        ({"components": ["Sb"]}, ("/components/0", "unknown-component")),
        ({"sd": 0}, ("/sd", "number-out-of-range")),
    ],
)
def test_slips_in_a_likeness_are_told(likeness: dict[str, Any], expected: tuple[str, str]) -> None:
    """Each in its place."""
    pointer, code = expected

    found = _faults(_dusty(**likeness))

    where = f"/flowsheet/likenesses/0{pointer}"
    shorter = {where.removesuffix("/stream"), where}
    assert {(place, code) for place in shorter} & found


def test_a_stream_of_a_likeness_that_is_unlike_is_found() -> None:
    """Assayed dust that is nothing like the feed is told, by how much."""
    request = _dusty(relative_sd=0.02)
    request["readings"].append({"stream": "dust", "of": "Sn", "value": 60, "sd": 0.5})

    findings = post(request).json()["evidence"]["findings"]

    suspects = [e["suspect"] for finding in findings for e in finding["explanations"]]
    assert "likeness in Sn of 'dust' to the others" in {suspect["name"] for suspect in suspects}


def test_a_sampling_plan_knows_what_is_alike() -> None:
    """The plan of further readings rests on the same balance."""
    target = {"stream": "nonmag", "figure": "recovery", "of": "Sn"}

    found = plan(json.dumps(_dusty() | {"targets": [target], "budget": 3}).encode(), Settings())

    assert 0 < found.cost <= 3


def test_shifts_looked_at_together_know_what_is_alike() -> None:
    """Every shift has a balance, and nothing is found wrong where nothing is."""
    request = _dusty()
    random = np.random.default_rng(5)
    readings = request.pop("readings")
    values = [[r["value"] * (1 + 0.001 * random.normal()) for r in readings] for _ in range(12)]
    request["readings"] = [{k: v for k, v in r.items() if k != "value"} for r in readings]
    request["shifts"] = [{"name": f"shift {i}", "values": row} for i, row in enumerate(values)]

    found = drift(json.dumps(request).encode(), Settings())

    assert 12 == found.shifts
    assert [] == found.left_out
