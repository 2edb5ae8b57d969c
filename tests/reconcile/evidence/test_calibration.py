"""
The evidence is as right as it says: a small seeded part of the study in ``tests/studies``.

Bands are four standard errors of the draws, so that a true rate falls outside once in 16,000.
"""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.options import Control
from tests.studies.evidence import (
    LEVEL,
    exchanges_found,
    family_alarms,
    global_alarms,
    global_power,
    ground,
    identified,
    several,
)

BAND = 4.0


def _spread(rate: float, draws: int) -> float:
    return BAND * float(np.sqrt(rate * (1 - rate) / draws))


@pytest.mark.parametrize("name", ["bypass", "tin-shed", "rougher-cleaner-scavenger"])
def test_the_global_test_rejects_sound_readings_at_its_level(name: str) -> None:
    """Full balances with true sds: 5 %."""
    hits, draws = global_alarms(name, 1500)

    assert draws == 1500
    assert hits / draws == pytest.approx(LEVEL, abs=_spread(LEVEL, draws))


@pytest.mark.parametrize("control", [Control.SIDAK, Control.BONFERRONI, Control.HOLM])
@pytest.mark.parametrize("name", ["bypass", "tin-shed", "random 30"])
def test_any_false_alarm_among_all_readings_is_as_rare_as_the_level(
    name: str, control: Control
) -> None:
    """At most 5 %; less where tests hang together."""
    assert family_alarms(name, 4000, control) / 4000 <= LEVEL + _spread(LEVEL, 4000)


def test_the_power_of_the_global_test_is_that_of_the_non_central_chi_square() -> None:
    """One gross error of 3 to 15 sd in a random reading, by full balances."""
    for name in ("bypass", "tin-shed"):
        predicted, hits, draws = global_power(name, 40, 40)

        assert draws == 1600
        assert hits / draws == pytest.approx(predicted, abs=_spread(predicted, draws) + 0.01)


@pytest.mark.parametrize("name", ["bypass", "random 30"])
def test_one_gross_error_is_identified_as_well_as_by_an_oracle(name: str) -> None:
    """Where an error is found, the oracle that knows there is exactly one does hardly better."""
    found = identified(name, 200, 12.0)

    assert found.right >= 0.85 * found.oracle_detected
    assert found.right <= found.detected <= found.draws


@pytest.mark.parametrize("name", ["tin-shed", "random 60"])
def test_several_errors_are_told_apart_no_worse_than_by_plain_elimination(name: str) -> None:
    """Three errors: at least its overall power, and no more errors of the first kind."""
    found = several(name, 150, 3, leaks=False)

    assert found.right >= found.plain_right - _spread(0.5, found.errors) * found.errors / 2
    assert found.wrong <= found.plain_wrong + BAND * np.sqrt(found.plain_wrong + 1) / 2


def test_exchanges_that_theory_is_sure_of_are_found() -> None:
    """Two readings exchanged, power over 99 %: found in all but a few of a hundred."""
    hits, tried = exchanges_found("bypass", 12)

    assert tried > 8
    assert hits >= tried - 1


def test_the_residual_space_has_as_many_dimensions_as_there_are_checks() -> None:
    """Trace of the residual projector and degrees of freedom, counted by different roads."""
    for name in ("bypass", "tin-shed", "random 60"):
        it = ground(name)

        assert it.basis.shape[1] == it.degrees
        assert it.view.search.space.room.sum() == pytest.approx(it.degrees, abs=1e-6)
