"""Every sheet tells what was separated and what needs care, without being asked."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.tests.sheets import faults, minimal, reconciled, two_passes


def test_a_sheet_tells_what_was_separated() -> None:
    """The trays in the order of the passes, with figures that end at the whole."""
    (series,) = reconciled(two_passes())["performance"]
    (tin,) = series["separations"]

    assert (["head"], ["mag 1", "mag 2", "nonmag"]) == (series["feed"], series["products"])
    assert pytest.approx(100) == tin["cumulative"][-1]["recovery"]["value"]
    assert ["mass", "Sn"] == [head["of"] for head in series["heads"]]


def test_heads_are_told_by_their_place_on_the_sheet() -> None:
    """Pointers lead into the sheet, not into the balance behind it."""
    (series,) = reconciled(two_passes())["performance"]

    assert ["/head/net", "/head/assays/Sn"] == [head["pointer"] for head in series["heads"]]


def test_what_the_magnet_took_comes_first() -> None:
    """However the trays are listed."""
    sheet = minimal()
    trays = sheet["passes"][0]["products"]
    trays.reverse()
    trays[1]["magnetic"] = True

    assert ["mag 1", "nonmag"] == reconciled(sheet)["performance"][0]["products"]


def test_magnets_bring_their_caution() -> None:
    """A magnetic pass, or a field that was set, says so; other passes do not."""
    sheet, other = minimal(), minimal()
    other["passes"][0] |= {"kind": "gravity", "settings": {}}
    topics = [[c["topic"] for c in reconciled(s)["care"]["cautions"]] for s in (sheet, other)]

    assert [["strong magnets", "certificates"], ["certificates"]] == topics


def test_the_order_can_be_given() -> None:
    """A series of the sheet's own stands before the one that follows from the passes."""
    sheet = two_passes() | {
        "performance": [{"name": "backwards", "feed": "head", "products": ["nonmag", "mag 2"]}],
        "care": {"rule": "sum of fractions"},
    }
    (series,) = reconciled(sheet)["performance"]

    assert ("backwards", ["nonmag", "mag 2"]) == (series["name"], series["products"])


@pytest.mark.parametrize(
    ("member", "pointer"),
    [
        ({"performance": [{"feed": "head", "products": ["mag 7"]}]}, "/performance/0/products/0"),
        ({"care": {"streams": ["mag 7"]}}, "/care/streams/0"),
    ],
)
def test_faults_stand_in_the_sheet(member: dict[str, Any], pointer: str) -> None:
    """An unknown tray is refused where it was named."""
    assert [(pointer, "unknown-stream")] == [f[:2] for f in faults(two_passes() | member)]


def test_more_trays_than_can_be_told_are_said_to_be_left_out() -> None:
    """A sheet of 201 trays is reconciled; that nothing is added up over them is told."""
    sheet = minimal()
    sheet["passes"][0]["products"] = [{"name": f"tray {i}", "net": 10.0} for i in range(201)]
    sheet["head"] = {"net": 2010.3}
    sheet["evidence"] = {"skip": True}
    reply = reconciled(sheet)

    assert [] == reply["performance"]
    assert "What was separated from 'head' is not told" in reply["warnings"][-1]
