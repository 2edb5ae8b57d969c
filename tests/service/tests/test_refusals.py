"""Whatever is wrong with a sheet is told in the sheet's words, where it stands on the sheet."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.client import JSON, ask
from tests.service.test_cli import run

from .sheets import faults, minimal, parted, reconciled, two_passes

Change = Callable[[dict[str, Any]], object]


def _tray(sheet: dict[str, Any], run: int = 0, tray: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = sheet["passes"][run]["products"][tray]
    return found


def _set(at: Callable[[dict[str, Any]], dict[str, Any]], **members: Any) -> Change:
    return lambda sheet: at(sheet).update(members)


REST = "/passes/1/fed"
CASES: dict[str, tuple[Change, str, str, str]] = {
    # name: the slip, where, code, and words of the sentence
    "a tare without a gross weight": (
        _set(lambda s: _tray(s, 0, 1), tare=12),
        "/passes/0/products/1/tare",
        "tare-without-gross",
        "Pass 1, tray 'rest 1': there is a tare without a gross weight.",
    ),
    "a gross weight without a tare": (
        lambda s: _tray(s).pop("tare"),
        "/passes/0/products/0/gross",
        "gross-without-tare",
        "Pass 1, tray 'mag 1': there is a gross weight without a tare.",
    ),
    "net and gross": (
        _set(_tray, net=300),
        "/passes/0/products/0/gross",
        "net-and-gross",
        "tray 'mag 1': both a net and a gross weight",
    ),
    "a tare that nobody declared": (
        _set(_tray, tare="steel"),
        "/passes/0/products/0/tare",
        "unknown-tare",
        "no tare 'steel'",
    ),
    "a negative weight": (
        _set(lambda s: _tray(s, 0, 1), net=-3),
        "/passes/0/products/1/net",
        "negative-weight",
        "tray 'rest 1': the net weight is negative (-3 g)",
    ),
    "an unknown lot": (
        _set(lambda s: s["passes"][1], fed="rset 1"),
        REST,
        "unknown-lot",
        "Pass 2 'narrow gap' is fed with 'rset 1'",
    ),
    "its own product": (
        _set(lambda s: s["passes"][1], fed="mag 2"),
        REST,
        "fed-with-own-product",
        "which it makes itself",
    ),
    "a product that comes later": (
        _set(lambda s: s["passes"][0], fed=["head", "mag 2"]),
        "/passes/0/fed/1",
        "not-made-yet",
        "which is only made in pass 2 'narrow gap'",
    ),
    "a lot fed twice": (
        _set(lambda s: s["passes"][1], fed=["rest 1", "head"]),
        "/passes/1/fed/1",
        "fed-twice",
        "Head 'head' was fed to pass 1 and is again to pass 2 'narrow gap'",
    ),
    "a lot named twice in one pass": (
        _set(lambda s: s["passes"][1], fed=["rest 1", "rest 1"]),
        "/passes/1/fed/1",
        "fed-twice",
        "named a second time there",
    ),
    "fed whole and kept": (
        _set(lambda s: _tray(s, 0, 1), kept={"net": 3}),
        "/passes/0/products/1/kept",
        "fed-whole-and-kept",
        "was fed whole, and yet something of it was kept",
    ),
    "a loss that was fed on": (
        _set(lambda s: _tray(s, 0, 1), loss={"expected": 3, "sd": 1}),
        REST,
        "fed-with-loss",
        "a loss: nobody holds it",
    ),
    "a name used twice": (
        _set(lambda s: _tray(s, 1, 0), name="mag 1"),
        "/passes/1/products/0/name",
        "duplicate-name",
        "has the name of pass 1, tray 'mag 1'",
    ),
    "a pass without products": (
        _set(lambda s: s["passes"][1], products=[]),
        "/passes/1/products",
        "no-products",
        "Pass 2 'narrow gap' has no products",
    ),
    "a component that is not followed": (
        lambda s: _tray(s)["assays"].update({"sn": 3}),
        "/passes/0/products/0/assays/sn",
        "unknown-component",
        "Pass 1, tray 'mag 1' was assayed for 'sn'",
    ),
    "an assay above the whole": (
        lambda s: _tray(s)["assays"].update({"Sn": 104}),
        "/passes/0/products/0/assays/Sn",
        "assay-above-100-percent",
        "Pass 1, tray 'mag 1', Sn: An assay of 104 %",
    ),
    "no error of a weight": (
        lambda s: s["errors"].pop("weighing"),
        "/head/net",
        "reading-without-sd",
        "Head 'head', weight: nothing says how well it was measured",
    ),
    "no error of an assay": (
        lambda s: s["errors"].pop("assays"),
        "/passes/1/products/1/assays/Sn",
        "reading-without-sd",
        "Pass 2 'narrow gap', tray 'nonmag', Sn:",
    ),
    "a result in quotes": (
        lambda s: _tray(s)["assays"].update({"Sn": "<0.05"}),
        "/passes/0/products/0/assays/Sn",
        "not-a-result",
        "not text",
    ),
    "a moist weight": (
        _set(_tray, moisture=3.2),
        "/passes/0/products/0/moisture",
        "unknown-field",
        "no member 'moisture'",
    ),
    "a huge replicate": (
        lambda s: _tray(s)["assays"].update({"Sn": [1e300, 5]}),
        "/passes/0/products/0/assays/Sn/0",
        "number-out-of-range",
        "1e+300",
    ),
    "an empty list of replicates": (
        lambda s: (
            (s["errors"].pop("assays"), _tray(s)["assays"].update({"Sn": []}))
            and _tray(s, 0, 1)["assays"].update({"Sn": [40.8, 41.0]})
        ),
        "/passes/0/products/0/assays/Sn",
        "unusable-error-input",
        "no replicates in the list",
    ),
    "assays that are no object": (
        _set(_tray, assays=[3]),
        "/passes/0/products/0/assays",
        "not-an-object",
        "not a list",
    ),
    "two single heads": (
        lambda s: s.update(heads=[{"name": "other", "net": 3}]),
        "/head",
        "head-and-heads",
        "both 'head' and 'heads'",
    ),
    "a loss that was weighed": (
        lambda s: s["passes"][1]["products"].append(
            {"name": "dust", "net": 3, "loss": {"expected": 3, "sd": 1}}
        ),
        "/passes/1/products/2/loss",
        "loss-and-weight",
        "it was weighed, and yet a loss is expected",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_slip_is_told_where_and_what(name: str) -> None:
    """One slip, one fault of its kind, in the words of whoever filled the sheet."""
    change, where, code, words = CASES[name]
    sheet = two_passes()
    change(sheet)

    found = {(pointer, kind): sentence for pointer, kind, sentence in faults(sheet)}

    assert (where, code) in found
    assert words in found[where, code]


def test_all_slips_come_out_together() -> None:
    """A slip of type in one tray hides no slip of sense in another."""
    sheet = two_passes()
    _tray(sheet)["assays"]["Sn"] = "5"
    _tray(sheet, 0, 1)["net"] = -3
    sheet["passes"][1]["fed"] = "rset 1"

    assert {
        ("/passes/0/products/0/assays/Sn", "not-a-result"),
        ("/passes/0/products/1/net", "negative-weight"),
        ("/passes/1/fed", "unknown-lot"),
    } == {fault[:2] for fault in faults(sheet)}


def test_a_near_name_is_offered() -> None:
    """The nearest lot there was is named."""
    sheet = two_passes() | {"head": two_passes()["head"]}
    sheet["passes"][1]["fed"] = "rset 1"

    problem = ask("POST", "/v1/tests", content=json.dumps(sheet), headers=JSON).json()

    assert "Did you mean 'rest 1'?" in problem["faults"][0]["mend"]


def test_weights_fixed_against_each_other_are_told_by_their_places() -> None:
    """What has no balance is told in places of the sheet as well."""
    sheet = minimal()
    sheet["errors"]["weighing"] = {"sd": 0}

    problem = ask("POST", "/v1/tests", content=json.dumps(sheet), headers=JSON).json()

    assert "contradictory fixed values" == problem["outcome"]
    assert ["pass 1"] == problem["nodes"]
    places = {fault["pointer"] for fault in problem["faults"]}
    assert places <= {"/head/net", "/passes/0/products/0/gross", "/passes/0/products/1/net"}


def test_the_command_tells_faults_a_line_each() -> None:
    """A line 'pointer: what mend' for each on standard error; the status is 2."""
    sheet = two_passes()
    _tray(sheet)["gross"] = 101.2

    done = run("test", "-", stdin=json.dumps(sheet).encode())

    assert 2 == done.returncode
    assert (
        "/passes/0/products/0/gross: Pass 1, tray 'mag 1': gross 101.2 g is below tare 112.6 g."
        in " ".join(done.stderr.decode().split())
    )


def test_the_command_prints_the_test() -> None:
    """The table tells what each pass made; with --json comes the reply of the service."""
    body = json.dumps(two_passes()).encode()

    table = run("test", "-", stdin=body).stdout.decode("utf-8")
    reply = json.loads(run("test", "-", "--json", stdin=body).stdout)

    assert "Pass 2: narrow gap, fed with rest 1." in table
    assert "As read: Of 700.4 g fed, 700.6 g came out" in table
    assert reply["streams"] == reconciled(two_passes())["streams"]


NUMBERS = (0, -1, 1e12, 3.5)
TEXTS = ("", "head", "mag 1", "x" * 81, "\u202e", "<5", "trace")
HELD = ({"of": "head"}, {"below": 0}, {"value": 1, "sd": 0}, {"net": 3}, [1, 2], ["a"], [], {})
VALUES = st.sampled_from([None, True, *NUMBERS, *TEXTS, *HELD])


def _paths(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Give the places in a document, its own first."""
    if not isinstance(value, dict | list):
        return [at]
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    return [at, *(path for key, held in inner for path in _paths(held, (*at, key)))]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_no_slip_leads_to_a_place_that_is_not_on_the_sheet(data: st.DataObject) -> None:
    """Two members of a sheet replaced at random: refused or balanced, told by its own places."""
    sheet = data.draw(st.sampled_from([minimal(), two_passes(), parted()]))
    sheet = copy.deepcopy(sheet) | {"evidence": {"skip": True}}
    for _ in range(2):
        *way, last = data.draw(st.sampled_from([p for p in _paths(sheet) if p]))
        holder = sheet
        for part in way:
            holder = holder[part]
        holder[last] = data.draw(VALUES)

    found = faults(sheet)

    for pointer, _, sentence in found:
        assert pointer.split("/")[1:2] != ["readings"], sentence
        assert "/flowsheet" not in pointer
        assert "flowsheet" not in sentence
        assert "/readings/" not in sentence
