"""Consecutive periods are one flowsheet, joined by the stocks between them."""

import math

import numpy as np
import pytest

from reconcile import Flowsheet, Outcome, Reading, Stream, reconcile_balance
from reconcile.flowsheet import Order, Whole, faults_of
from reconcile.periods import unroll

BIN = Flowsheet(
    nodes=("bin",),
    streams=(Stream("ore", target="bin"), Stream("reclaimed", source="bin")),
    components=("Sn",),
)
SHIFTS = ("shift 1", "shift 2", "shift 3")


def test_a_single_period_without_stocks_is_the_flowsheet_itself() -> None:
    """Nothing is renamed and nothing added."""
    assert BIN == unroll(BIN).flowsheet


def test_every_stream_exists_in_every_period() -> None:
    """Names carry the period, and the map gives them."""
    unrolled = unroll(BIN, SHIFTS, ["bin"])

    assert "ore in shift 2" == unrolled.streams["ore", "shift 2"]
    assert 6 == len(unrolled.streams)
    assert [] == faults_of(unrolled.flowsheet)


def test_the_closing_stock_of_a_period_is_the_opening_stock_of_the_next() -> None:
    """One stream leaves the store of one period and enters that of the next."""
    unrolled = unroll(BIN, SHIFTS, ["bin"])
    streams = {s.name: s for s in unrolled.flowsheet.streams}

    opening, first, second, closing = (streams[name] for name in unrolled.stocks["bin"])
    assert opening.source is None
    assert (opening.target, first.target) == (first.source, second.source)
    assert closing.target is None
    assert "bin at the end of shift 1" == first.name


def test_a_stock_grows_by_what_its_node_takes_in_and_does_not_give_out() -> None:
    """A signed stream joins node and store, so that the change has a value and an sd."""
    unrolled = unroll(BIN, SHIFTS, ["bin"])
    change = {s.name: s for s in unrolled.flowsheet.streams}[unrolled.changes["bin", "shift 2"]]

    assert change.signed
    assert ("bin in shift 2", "store of bin in shift 2") == (change.source, change.target)


def test_what_nodes_alter_and_what_is_vouched_for_holds_in_every_period() -> None:
    """Alterations, closures and orders are repeated under the periods' names."""
    sheet = Flowsheet(
        ("mill",),
        (Stream("in", target="mill"), Stream("out", source="mill")),
        ("Sn",),
        alters={"mill": frozenset({"Sn"})},
        wholes=(Whole(("Sn",), ("in",)), Whole(("Sn",))),
        orders=(Order("Sn", "out", "in"),),
    )

    unrolled = unroll(sheet, ("a", "b")).flowsheet

    assert {"mill in a", "mill in b"} == set(unrolled.alters)
    assert ("in in a", "in in b") == unrolled.wholes[0].streams
    assert unrolled.wholes[1].streams is None
    assert [("out in a", "in in a"), ("out in b", "in in b")] == [
        (order.richer, order.than) for order in unrolled.orders
    ]


def _readings(streams: list[tuple[str, float, float]]) -> list[Reading]:
    return [Reading(name, "mass", value, sd) for name, value, sd in streams]


def test_the_book_of_a_stock_closes_over_all_shifts() -> None:
    """
    Opening + what came in - what went out = closing, and its error is theirs in squares.

    Without a survey at the end the closing stock is the book stock: JCGM 100:2008, 5.1.2.
    """
    unrolled = unroll(BIN, SHIFTS, ["bin"])
    masses = [("bin at the start", 400.0, 20.0)]
    for shift, came, went in zip(SHIFTS, (210, 190, 205), (180, 220, 160), strict=True):
        masses += [(f"ore in {shift}", float(came), 2.0), (f"reclaimed in {shift}", float(went), 3)]

    balance = reconcile_balance(unrolled.flowsheet, _readings(masses))

    assert Outcome.CLOSED is balance.outcome
    closing = balance.masses["bin at the end of shift 3"]
    assert 445.0 == pytest.approx(closing.value)
    assert math.sqrt(400 + 3 * 4 + 3 * 9) == pytest.approx(closing.sd)
    change = balance.masses["change of bin in shift 2"]
    assert -30.0 == pytest.approx(change.value)
    assert math.sqrt(4 + 9) == pytest.approx(change.sd)


def test_a_survey_at_the_end_speaks_to_every_shift() -> None:
    """
    The misfit of book and survey is shared in proportion to the variances.

    Least squares with one linear condition a·x = 0: the correction is -V a (a·y)/(a·V a), e.g.
    Mikhail (1976), Observations and Least Squares, conditions only; quoted from memory.
    """
    unrolled = unroll(BIN, SHIFTS, ["bin"])
    masses = [("bin at the start", 400.0, 20.0), ("bin at the end of shift 3", 430.0, 10.0)]
    signs = [1.0, -1.0]
    for shift, came, went in zip(SHIFTS, (210, 190, 205), (180, 220, 160), strict=True):
        masses += [(f"ore in {shift}", float(came), 2.0), (f"reclaimed in {shift}", float(went), 3)]
        signs += [1.0, -1.0]
    a = np.array(signs)
    read = np.array([value for _, value, _ in masses])
    variance = np.array([sd for _, _, sd in masses]) ** 2

    balance = reconcile_balance(unrolled.flowsheet, _readings(masses))

    expected = read - variance * a * (a @ read) / (a @ (variance * a))
    found = [balance.masses[name].value for name, _, _ in masses]
    assert expected == pytest.approx(found)
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
