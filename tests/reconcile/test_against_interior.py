"""
The engine against IPOPT on seeded surveys with everything that a circuit contains.

The figures are printed by ``python -m tests.studies.agreement_general``.
"""

from __future__ import annotations

import pytest

from tests.studies.agreement_general import COUNT, EQUAL, GOOD, Verdict, compare
from tests.surveys import survey

SMALL = range(1000, 1024)
"""Seeds of surveys small enough for the ordinary run."""


MISSED = {1019}
"""Surveys of which the engine gives a local optimum while a better one exists: rough readings,
bounds at work, and starts that all lead to the same place.  A mended seed must leave this list."""


@pytest.mark.parametrize(
    "seed",
    [
        pytest.param(s, marks=pytest.mark.xfail(reason="a better optimum is missed", strict=True))
        if s in MISSED
        else s
        for s in SMALL
    ],
)
def test_small_surveys_have_the_optimum_of_a_general_solver(seed: int):
    """
    Never worse than IPOPT from several starts, and every value equal where the optimum is.

    Up to five streams, with a random mix of water, sizes, minerals, stocks, shared errors, limits,
    orders, losses and robust fits.
    """
    found = compare(seed, survey(seed, streams=2 + seed % 4))

    assert found.verdict in {Verdict.SAME, Verdict.ENGINE}, found.remark


@pytest.mark.study
@pytest.mark.parametrize("seed", range(COUNT))
def test_surveys_have_the_optimum_of_a_general_solver(seed: int):
    """
    The same up to a dozen streams; without a balance only where IPOPT finds no optimum either.

    Objectives are equal to 1e-6 relative where both find the same optimum, and so are all values.
    """
    found = compare(seed)

    assert found.verdict in GOOD, found.remark
    if found.verdict is Verdict.SAME:
        assert abs(found.excess) <= EQUAL
        assert found.values <= EQUAL
