"""A small part of the study of drift: what charts and estimates promise, against simulation."""

from functools import cache

import numpy as np
import pytest

from tests.flowsheets import random_circuit
from tests.studies import drift


@cache
def given(name: str) -> drift.Network:
    if name == "random":
        return drift.network(name, random_circuit(1, streams=30, components=3))
    return next(drift.networks())


@pytest.mark.parametrize("name", ["bypass", "random"])
def test_charts_alarm_falsely_no_oftener_than_they_say(name: str) -> None:
    """All charts of a network together, 200 shifts; those of one network hang together."""
    network = given(name)
    charts = int(network.groups().max()) + 1
    told = 1 - float(network.chart().quiet(drift.SHIFTS)[-1]) ** (2 * charts)

    found = drift.falsely(network, 250, seed=21)

    assert found.value <= told + 3 * found.error


@pytest.mark.parametrize("name", ["bypass", "random"])
@pytest.mark.parametrize("which", [0, -1])
def test_a_drift_is_told_as_soon_as_theory_says(name: str, which: int) -> None:
    """The median of the delay after 49 quiet shifts, by simulation and by the run length."""
    network = given(name)
    reading = network.chosen()[which]

    found = drift.median(drift.delays(network, reading, 200, seed=22))

    theory = drift.expected_delay(network.chart(), network.redundancy[reading])
    assert pytest.approx(theory, abs=3 * found.error + 1) == found.value


def test_recovered_sds_scatter_as_their_bound_says() -> None:
    """Six sds of the bypass network from 200 shifts: root mean square error by the information."""
    found = drift.recovered(given("bypass"), 100, seed=23)

    assert 6 == found.told
    bound = float((found.bound**2).mean() ** 0.5)
    assert pytest.approx(bound, abs=3 * found.error.error + 0.03 * bound) == found.error.value


def test_the_residual_space_stands_for_full_balances() -> None:
    """The same errors by either road give the same peaks, shift by shift balanced or drawn."""
    network = given("bypass")
    errors = np.random.default_rng(24).standard_normal((40, network.count))

    full = drift.reconcile_series(network.flowsheet, drift._read(network, errors))

    straight = drift.findings(network.residuals(errors), network.alone, drift.Design())
    assert full.findings is not None
    assert pytest.approx(straight.sums.peak, abs=1e-8) == full.findings.sums.peak
