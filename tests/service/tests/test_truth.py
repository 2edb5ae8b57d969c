"""Sheets made from a known truth give it back."""

from __future__ import annotations

import copy
import json
import random
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.client import ROOT

from . import invented
from .sheets import EXAMPLES, reconciled

NAMES = ("one-magnetic-pass", *invented.SHEETS)


@cache
def _reply(name: str) -> dict[str, Any]:
    return reconciled(json.loads((EXAMPLES / f"{name}.json").read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", NAMES)
def test_the_examples_reconcile_well(name: str) -> None:
    """No example is rejected by the global test, no error is found, and everything is known."""
    reply = _reply(name)

    assert reply["test"]["p_value"] > 0.05
    assert [] == reply["evidence"]["findings"]
    assert [] == reply["remedies"]


@pytest.mark.parametrize("name", invented.SHEETS)
def test_the_examples_are_those_that_were_invented(name: str) -> None:
    """The file is what the truth behind it makes, to the byte."""
    written = invented.written(invented.SHEETS[name]()) + "\n"

    assert written == (EXAMPLES / f"{name}.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "bench", "component"),
    [
        ("tin-shed-over-three-stages", invented.tin_bench, None),
        ("chromite-from-foundry-sand", invented.sand_bench, "mineral"),
    ],
)
def test_the_examples_tell_the_truth_behind_them(
    name: str, bench: Any, component: str | None
) -> None:
    """Of the grades that are known no more than a few lie beyond two of their sds."""
    truth = bench()
    off = []
    for stream in _reply(name)["streams"]:
        if stream["name"] not in truth.lots:
            continue
        lot = truth.lots[stream["name"]]
        for grade in stream["assays"]:
            of = grade["component"]
            true = 100 * lot[of] / sum(lot.values()) if component else truth.grade(lot, of)
            if grade["sd"] and grade["value"] > 0:
                off.append((grade["value"] - true) / grade["sd"])

    assert len(off) > 40
    assert sum(abs(z) > 2 for z in off) <= 0.1 * len(off)


@cache
def _exact(seed: int) -> tuple[dict[str, Any], dict[str, dict[str, float]], list[float]]:
    """Give a sheet without errors on a random split, its grades and its weights."""
    draw = np.random.default_rng(seed)
    contents = {"heavy": {"Sn": 0.7, "Fe": 0.02}, "rest": {"Sn": 0.001, "Fe": 0.3}}
    units = {"Sn": 100.0, "Fe": 100.0}
    bench = invented.Bench(contents, units, dict.fromkeys(units, (0.0, 0.0)), 0.0, 1)
    bench.lots["head"] = {m: draw.uniform(200, 900) for m in contents}
    fed, passes = "head", []
    for i in range(draw.integers(1, 5)):
        bench.part([fed], {f"mag {i}": {m: draw.uniform(0.1, 0.7) for m in contents}}, f"rest {i}")
        trays = [
            {"name": n, "net": sum(bench.lots[n].values())}
            | {"assays": {a: bench.grade(bench.lots[n], a) for a in units}}
            for n in (f"mag {i}", f"rest {i}")
        ]
        if draw.random() < 0.4:
            del trays[1]["net"]
        if draw.random() < 0.4:
            trays[1]["assays"] = {}
        passes.append({"fed": fed, "products": trays})
        fed = f"rest {i}"
    head = bench.lots["head"]
    sheet = {
        "components": [*units],
        "errors": {"weighing": {"sd": 0.1}, "assays": {a: {"sd": 0.05} for a in units}},
        "head": {
            "net": sum(head.values()),
            "assays": {a: bench.grade(head, a) for a in units},
        },
        "passes": passes,
        "evidence": {"skip": True},
    }
    grades = {n: {a: bench.grade(lot, a) for a in units} for n, lot in bench.lots.items()}
    return sheet, grades, [sum(bench.lots[n].values()) for n in bench.lots]


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_a_sheet_without_errors_gives_the_truth(seed: int) -> None:
    """Whatever was left unweighed or unassayed comes back as it was."""
    sheet, grades, weights = _exact(seed)

    reply = reconciled(sheet)

    found = {s["name"]: s for s in reply["streams"]}
    assert 0 == pytest.approx(reply["test"]["statistic"], abs=1e-9)
    for (name, told), weight in zip(grades.items(), weights, strict=True):
        assert weight == pytest.approx(found[name]["mass"]["value"], rel=1e-9)
        assays = {a["component"]: a["value"] for a in found[name]["assays"]}
        assert told == pytest.approx(assays, rel=1e-9)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_trays_and_assays_does_not_matter(seed: int, order: random.Random) -> None:
    """Trays of a pass and assays of a tray in any order give the same balance."""
    sheet, _, _ = _exact(seed)
    sheet = copy.deepcopy(sheet)
    sheet["head"]["assays"]["Sn"] *= 1.01
    mixed = copy.deepcopy(sheet)
    for run in mixed["passes"]:
        order.shuffle(run["products"])
        for tray in run["products"]:
            shuffled = [*tray["assays"].items()]
            order.shuffle(shuffled)
            tray["assays"] = dict(shuffled)

    one, other = ({s["name"]: s for s in reconciled(s)["streams"]} for s in (sheet, mixed))

    for name, stream in one.items():
        assert stream["mass"]["value"] == pytest.approx(other[name]["mass"]["value"], rel=1e-12)
        for ours, theirs in zip(stream["assays"], other[name]["assays"], strict=True):
            assert ours["value"] == pytest.approx(theirs["value"], rel=1e-10)
            assert ours["sd"] == pytest.approx(theirs["sd"], rel=1e-10)


def test_the_sheet_in_readme_can_be_sent() -> None:
    """It has a balance, and both passes close."""
    _, _, below = (
        (ROOT / "README.md").read_text(encoding="utf-8").partition("<!-- test sheet -->\n")
    )
    sheet = json.loads(below.partition("```json\n")[2].partition("\n```")[0])

    reply = reconciled(sheet)

    assert "closed" == reply["outcome"]
    assert ["pass 1", "pass 2"] == [run["name"] for run in reply["passes"]]
