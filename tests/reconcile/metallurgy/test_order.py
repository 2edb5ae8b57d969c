"""Which trays belong to a test, and the order in which they are added up."""

from __future__ import annotations

from reconcile.metallurgy import passes as sheets
from reconcile.metallurgy.order import Course, courses
from reconcile.metallurgy.passes import Lot, Pass, Taking, network_of


def lots(*names: str) -> tuple[Lot, ...]:
    """Give trays."""
    return tuple(Lot(name) for name in names)


def ordered(
    heads: tuple[Lot, ...], *passes: Pass, rank: dict[str, int] | None = None
) -> tuple[Course, ...]:
    """Give the tests of a sheet."""
    return courses(network_of(sheets.LaboratoryTest(heads, passes), 80), rank)


def run(name: str, fed: str | tuple[Taking, ...], *products: str) -> Pass:
    """Give a pass of one lot, or of takings."""
    return Pass(name, (Taking(fed),) if isinstance(fed, str) else fed, lots(*products))


def test_trays_come_in_the_order_of_the_passes() -> None:
    """Three fields one after another, and what was left at the end."""
    found = ordered(
        lots("head"),
        run("1", "head", "mag 1", "rest 1"),
        run("2", "rest 1", "mag 2", "rest 2"),
        run("3", "rest 2", "mag 3", "nonmag"),
    )

    assert (Course(("head",), ("mag 1", "mag 2", "mag 3", "nonmag")),) == found


def test_a_tray_passed_again_stands_for_what_came_of_it() -> None:
    """A middling's products stand where the middling stood, though they came last."""
    found = ordered(
        lots("head"),
        run("1", "head", "mag 1", "middling 1", "rest 1"),
        run("2", "rest 1", "mag 2", "rest 2"),
        run("again", "middling 1", "mag 1a", "rest 1a"),
    )

    assert ("mag 1", "mag 1a", "rest 1a", "mag 2", "rest 2") == found[0].products


def test_combined_trays_stand_where_the_last_of_them_came() -> None:
    """Two middlings put together wait for each other."""
    found = ordered(
        lots("head"),
        run("1", "head", "mag 1", "middling 1", "rest 1"),
        run("2", "rest 1", "mag 2", "middling 2", "rest 2"),
        run("again", (Taking("middling 1"), Taking("middling 2")), "mag 3", "rest 3"),
    )

    assert ("mag 1", "mag 2", "mag 3", "rest 3", "rest 2") == found[0].products


def test_what_the_magnet_took_comes_first_however_it_is_listed() -> None:
    """A rank orders the trays of one pass; losses are no products."""
    passes = (
        Pass("1", (Taking("head"),), (Lot("rest 1"), Lot("mag 1"), Lot("dust", is_loss=True))),
        run("2", "rest 1", "rest 2", "mag 2"),
    )
    rank = {"mag 1": -1, "mag 2": -1}

    assert ("mag 1", "mag 2", "rest 2") == ordered(lots("head"), *passes, rank=rank)[0].products


def test_tests_that_share_a_head_stand_apart() -> None:
    """Each part of a head begins a test of its own; what was kept of it belongs to none."""
    found = ordered(
        (Lot("head", is_weighed=True),),
        run("weak", (Taking("head", is_part=True),), "mag w", "rest w"),
        run("strong", (Taking("head", is_part=True),), "mag s", "rest s"),
    )

    assert [("mag w", "rest w"), ("mag s", "rest s")] == [course.products for course in found]
    assert [("head to weak",), ("head to strong",)] == [course.feed for course in found]


def test_heads_that_meet_are_the_feed_together() -> None:
    """Trays of two heads combined make one test of them, in the place of the first."""
    found = ordered(
        lots("A", "B", "C"),
        run("1", "A", "mag A", "rest A"),
        run("2", "B", "mag B", "rest B"),
        run("3", "C", "mag C", "rest C"),
        run("4", (Taking("rest A"), Taking("rest C")), "mag AC", "rest AC"),
    )

    assert Course(("A", "C"), ("mag A", "mag C", "mag AC", "rest AC")) == found[0]
    assert (("B",), ("mag B", "rest B")) == (found[1].feed, found[1].products)


def test_what_was_kept_of_a_tray_is_a_product() -> None:
    """A part fed on leaves the rest of the tray where it stood."""
    found = ordered(
        lots("head"),
        run("1", "head", "mag 1", "rest 1"),
        run("2", (Taking("rest 1", is_part=True),), "mag 2", "rest 2"),
    )

    assert {"mag 1", "mag 2", "rest 2", "rest 1, kept"} == set(found[0].products)
