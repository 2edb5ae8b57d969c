"""
The engine against general-purpose optimisers on seeded random flowsheets.

The largest disagreement is printed by ``python -m tests.studies.agreement``.
"""

from __future__ import annotations

import pytest

from tests.studies.agreement import (
    GENERAL,
    INNER,
    LINEAR,
    Comparison,
    compare_general,
    compare_inner,
    compare_linear,
)

EQUAL = 1e-6
"""Objectives nearer than this (relative, or absolute below 1) are the same optimum."""


def _check(comparison: Comparison) -> None:
    ours, theirs = comparison.ours, comparison.theirs

    assert ours == pytest.approx(comparison.stated, rel=1e-9, abs=1e-9)
    assert ours <= theirs * (1 + 1e-7) + 1e-9, "a general-purpose optimiser found a better balance"
    if comparison.values is not None and ours >= theirs - EQUAL * max(1.0, theirs):
        assert comparison.values <= 1e-6
    assert comparison.shortfall <= 1e-7, "the values fit no state that closes within its bounds"


@pytest.mark.parametrize("seed", GENERAL)
def test_no_general_optimiser_finds_a_better_balance(seed: int):
    """
    Masses and assays together: never worse than scipy.optimize from several starts.

    Where both reach the same objective, every known value agrees to 1e-6.  Where the judge finds
    no optimum, its best point within the bounds is still one that the engine must not exceed.
    """
    _check(compare_general(seed))


@pytest.mark.parametrize("seed", range(LINEAR))
def test_networks_of_flows_have_the_optimum_of_the_convex_programme(seed: int):
    """Masses alone are a quadratic programme with one optimum, bounds included."""
    comparison = compare_linear(seed)

    _check(comparison)
    assert comparison.ours == pytest.approx(comparison.theirs, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(INNER))
def test_components_under_fixed_masses_have_the_optimum_of_the_convex_programme(seed: int):
    """With every mass fixed each component is a quadratic programme with one optimum."""
    comparison = compare_inner(seed)

    _check(comparison)
    assert comparison.ours == pytest.approx(comparison.theirs, rel=1e-6, abs=1e-9)
