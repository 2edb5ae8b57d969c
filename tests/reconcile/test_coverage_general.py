"""
What intervals are worth with water, sizes, minerals and shared errors.

The figures are printed by ``python -m tests.studies.coverage_general``.
"""

from __future__ import annotations

import pytest

from tests.studies.coverage_general import CIRCUITS, DRAWS, Study, circuit, simulate


def _judge(study: Study) -> None:
    """No bound is active, the mean objective is within 3 standard errors, the coverage in band."""
    assert study.bounded == 0
    assert len(study.covered) > 50
    assert study.degrees_of_freedom >= 6
    assert abs(study.off) < 3
    assert study.outside == {}


@pytest.mark.parametrize("name", ["shared errors", "all together"])
def test_intervals_keep_their_promises_in_a_quick_look(name: str):
    """40 draws: the objective averages the degrees of freedom, intervals cover as they say."""
    _judge(simulate(circuit(name), draws=40, seed=6))


@pytest.mark.study
@pytest.mark.parametrize("name", CIRCUITS)
def test_intervals_keep_their_promises(name: str):
    """2,000 draws of each circuit, every value that is reported with an error."""
    _judge(simulate(circuit(name), draws=DRAWS, seed=5))
