"""A list of passes becomes the streams that one would draw, whatever was fed to what."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.flowsheet import Flowsheet, Stream
from reconcile.flowsheet import faults_of as flowsheet_faults_of
from reconcile.metallurgy.passes import (
    LaboratoryTest,
    Lot,
    Pass,
    Role,
    Taking,
    network_of,
    partings_of,
)
from reconcile.metallurgy.sheet_faults import faults_of

LONGEST = 80
HEAD = Lot("head", is_weighed=True)


def _ends(test: LaboratoryTest) -> dict[str, tuple[str | None, str | None]]:
    return {f.name: (f.source, f.target) for f in network_of(test, LONGEST).flows}


def test_lots_fed_whole_run_from_pass_to_pass() -> None:
    """The rest of one pass is the feed of the next, without anything between them."""
    test = LaboratoryTest(
        (HEAD,),
        (
            Pass("one", (Taking("head"),), (Lot("mag"), Lot("rest"))),
            Pass("two", (Taking("rest"),), (Lot("mag 2"), Lot("nonmag"))),
        ),
    )

    assert [] == faults_of(test)
    assert {
        "head": (None, "one"),
        "mag": ("one", None),
        "rest": ("one", "two"),
        "mag 2": ("two", None),
        "nonmag": ("two", None),
    } == _ends(test)


def test_combined_trays_enter_one_pass_and_a_feed_that_was_read_is_a_stream() -> None:
    """Two middlings run into one pass; weighed together they first become one stream."""
    first = Pass("one", (Taking("head"),), (Lot("m1"), Lot("m2"), Lot("rest")))
    fed = (Taking("m1"), Taking("m2"))
    plain = LaboratoryTest((HEAD,), (first, Pass("again", fed, (Lot("mag"), Lot("nonmag")))))
    read = LaboratoryTest(
        (HEAD,), (first, Pass("again", fed, (Lot("mag"), Lot("nonmag")), reads_feed=True))
    )

    assert ("one", "again") == _ends(plain)["m1"] == _ends(plain)["m2"]
    gather = _ends(read)["feed of again"]
    assert "again" == gather[1]
    assert ("one", gather[0]) == _ends(read)["m1"]


@pytest.mark.parametrize(
    ("weighed", "last", "keeps", "kept"),
    [
        (True, False, False, True),  # the head was more than what was fed
        (True, True, False, False),  # nothing was left
        (False, False, False, False),  # a head is no more than what was fed of it
        (False, False, True, True),  # what was kept was weighed
    ],
)
def test_what_no_pass_took_was_kept(weighed: bool, last: bool, keeps: bool, kept: bool) -> None:
    """A head in parts leaves something, unless its last part was the rest or nobody weighed it."""
    head = Lot("head", is_weighed=weighed, keeps=keeps)
    parts = (Taking("head", True), Taking("head", True, last))
    runs = tuple(
        Pass(f"run {i}", (part,), (Lot(f"mag {i}"), Lot(f"rest {i}")))
        for i, part in enumerate(parts)
    )
    test = LaboratoryTest((head,), runs)
    network = network_of(test, LONGEST)

    assert [] == faults_of(test)
    assert kept == ("head" in network.kept)
    (parting,) = partings_of(test, network)
    assert 2 + kept == len(parting.parts)
    assert ("head",) == parting.whole


def test_names_made_up_here_are_unlike_all_others() -> None:
    """A tray that has the name of a stream to be made keeps it; long names stay within bounds."""
    long = "x" * LONGEST
    test = LaboratoryTest(
        (Lot(long, is_weighed=True),),
        (
            Pass("a", (Taking(long, True),), (Lot("feed of b"), Lot("rest"))),
            Pass("b", (Taking(long, True),), (Lot("mag"), Lot("nonmag")), reads_feed=True),
        ),
    )
    names = [flow.name for flow in network_of(test, LONGEST).flows]

    assert len(set(names)) == len(names)
    assert max(map(len, names)) <= LONGEST
    assert "feed of b (2)" in names


_NAMES = st.sampled_from(["head", "a", "b", "c", "d"])


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.lists(st.tuples(_NAMES, st.booleans(), st.booleans()), max_size=3),
            st.lists(st.tuples(_NAMES, st.booleans()), max_size=3),
            st.booleans(),
        ),
        min_size=1,
        max_size=4,
    ),
    st.booleans(),
)
def test_any_test_has_faults_or_a_sound_network(runs: list, weighed: bool) -> None:
    """What is found right can be balanced: nodes have inlets and outlets, nothing runs round."""
    passes = tuple(
        Pass(
            f"pass {i}",
            tuple(Taking(name, part, part and rest) for name, part, rest in fed),
            tuple(Lot(name, is_loss=loss) for name, loss in products),
            reads_feed=read,
        )
        for i, (fed, products, read) in enumerate(runs, 1)
    )
    test = LaboratoryTest((Lot("head", is_weighed=weighed),), passes)
    if faults_of(test):
        return

    network = network_of(test, LONGEST)

    nodes = tuple(node.name for node in network.nodes)
    streams = tuple(Stream(f.name, f.source, f.target) for f in network.flows)
    assert [] == flowsheet_faults_of(Flowsheet(nodes, streams, ("Sn",)))
    assert 1 == sum(flow.source is None for flow in network.flows)
    order = {name: i for i, name in enumerate(nodes)}
    assert all(order[f.source] < order[f.target] for f in network.flows if f.source and f.target)
    roles = Counter(flow.role for flow in network.flows)
    assert roles[Role.FEED] == sum(read for _, _, read in runs)
