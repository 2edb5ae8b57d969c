"""On circuits grown at random, figures of a series agree with those that the balance gives."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reconcile import Knowledge, Known
from reconcile.metallurgy.performance import Series
from reconcile.metallurgy.question import Question, asked_balance
from reconcile.model import model_of
from reconcile.options import Options
from tests.comparison import CLOSED
from tests.flowsheets import Sampling, random_circuit


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(
    st.integers(0, 10**6),
    st.integers(3, 14),
    st.sampled_from([0.0, 0.3]),
    st.booleans(),
)
def test_figures_are_those_of_the_balance(
    seed: int, streams: int, missing: float, masses: bool
) -> None:
    """
    Yields, grades and recoveries to the products of all feeds of a part, with sds and classes.

    The balance works them out by rows of its own; recycles, several feeds, unread and unobservable
    quantities included.
    """
    sampling = Sampling(missing=missing, masses=masses)
    circuit = random_circuit(seed, streams=streams, components=2, sampling=sampling)
    sheet = circuit.flowsheet
    part = model_of(sheet, []).part_of
    first = [s for s, p in zip(sheet.streams, part, strict=True) if p == part[0]]
    feeds = tuple(s.name for s in first if s.source is None)
    products = tuple(s.name for s in first if s.target is None)
    question = Question((Series(feeds, products, {"component 1": 0.9}),))
    balance, answer = asked_balance(sheet, circuit.readings, question)
    assume(balance.outcome in CLOSED)
    (found,) = answer.performances

    for place, name in zip(found.yields[0].products, products, strict=True):
        same(balance.yields[name], place)
    for separation in found.separations:
        for place, name in zip(separation.products, products, strict=True):
            assay = balance.assays[name, separation.of]
            same(Known(assay.value, assay.sd, assay.knowledge), place.grade)
            same(balance.recoveries[name, separation.of], place.recovery)
        last = separation.cumulative[-1].recovery
        assert last.knowledge is not Knowledge.UNOBSERVABLE
        if last.value is not None:
            assert (pytest.approx(1.0), pytest.approx(0.0, abs=1e-6)) == (last.value, last.sd)


@pytest.mark.parametrize("seed", [8, 14])
def test_grades_of_next_to_nothing_keep_their_sd(seed: int) -> None:
    """
    Where nothing is weighed a product may come out next to empty, its grade as sure as its assay.

    The grade's variance is then a difference of terms that are larger by ten orders or more.
    """
    sampling = Sampling(missing=0.3, masses=False)
    circuit = random_circuit(seed, streams=14, components=2, sampling=sampling)
    sheet = circuit.flowsheet
    feeds = tuple(s.name for s in sheet.streams if s.source is None)
    products = tuple(s.name for s in sheet.streams if s.target is None)
    question = Question((Series(feeds, products),))
    balance, answer = asked_balance(sheet, circuit.readings, question, Options(scrutiny=None))
    (found,) = answer.performances

    assays = balance.assays
    told = [
        (assays[name, separation.of].sd, place.grade.sd)
        for separation in found.separations
        for place, name in zip(separation.products, products, strict=True)
        if assays[name, separation.of].value is not None
    ]
    assert [pytest.approx(own, rel=1e-6) for own, _ in told] == [sd for _, sd in told]
    assert min(sd for _, sd in told) > 0


def same(expected: Known, found: Known) -> None:
    """Compare value, sd and whether it is known."""
    assert (expected.value is None) == (found.value is None)
    if expected.value is not None and found.value is not None:
        assert pytest.approx(expected.value, rel=1e-8, abs=1e-12) == found.value
        assert pytest.approx(expected.sd, rel=1e-4, abs=1e-8) == found.sd
