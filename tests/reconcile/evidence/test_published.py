"""
The tests of the bypass network with stream 2 read 4 too high.

Source: Narasimhan and Jordache (2000), Data Reconciliation and Gross Error Detection, the chapters
on gross errors, quoted from memory for the data and the global test; nodal and measurement tests
recomputed from the imbalances with independent dense algebra.
"""

from __future__ import annotations

import numpy as np
import pytest

from reconcile import Options, Reading, reconcile_balance
from reconcile.findings import Evidence, Suspicion
from reconcile.options import Scrutiny
from tests.flowsheets import bypass_network

READ = (101.91, 68.45, 34.65, 64.20, 36.44, 98.88)


def _evidence() -> Evidence:
    readings = [Reading(str(i), "mass", value, 1.0) for i, value in enumerate(READ, 1)]
    balance = reconcile_balance(bypass_network(), readings, Options(scrutiny=Scrutiny()))
    assert balance.evidence is not None
    return balance.evidence


def test_the_global_test_has_the_published_critical_value() -> None:
    """Chi-square with four degrees of freedom passes 9.487729 in 5 % of cases (any table)."""
    assert _evidence().critical == pytest.approx(9.487729, abs=1e-6)


def test_nodal_tests_are_the_published_ones() -> None:
    """Imbalances over their own sds, with Sidak's critical value for four of them."""
    nodes = _evidence().nodes

    assert nodes is not None
    assert [t.imbalance for t in nodes.tests] == pytest.approx([-1.19, 4.25, -1.79, 1.76])
    assert [abs(t.statistic) for t in nodes.tests] == pytest.approx(
        [0.687047, 3.005204, 1.265721, 1.016136], abs=1e-6
    )
    assert nodes.critical == pytest.approx(2.490915, abs=1e-6)


def test_adjustment_tests_are_the_published_ones() -> None:
    """The measurement test of six streams, with Sidak's critical value and that of one alone."""
    readings = _evidence().readings

    assert readings is not None
    assert [abs(t.statistic) for t in readings.tests] == pytest.approx(
        [1.253322, 3.204749, 0.493980, 2.000417, 1.698313, 2.457655], abs=1e-6
    )
    assert readings.critical == pytest.approx(2.631038, abs=1e-6)
    assert readings.alone == pytest.approx(1.959964, abs=1e-6)


def test_groups_of_nodes_are_tested_by_what_crosses_their_edge() -> None:
    """Splitter and valve together: what flows between them does not count (closed form)."""
    groups = _evidence().groups

    assert groups is not None
    found = {t.nodes: t for t in groups.tests}
    joined = found["splitter", "valve"]
    assert joined.imbalance == pytest.approx(READ[0] - READ[1] - READ[4])
    assert joined.sd == pytest.approx(np.sqrt(3))


def test_both_the_leak_and_the_reading_are_told_with_their_odds() -> None:
    """Here a leak at the exchanger fits better than the true bias: neither may be concealed."""
    (finding,) = _evidence().findings

    told = {e.test.hypothesis.suspicion: e for e in finding.explanations}
    assert set(told) == {Suspicion.LEAK, Suspicion.READING}
    assert told[Suspicion.READING].test.hypothesis.readings == (1,)
    assert not told[Suspicion.READING].alike
    # With V = 1 and prior sds τ: T = 3.64² and 3.204749², d = 1 and 2/3 (Jeffreys 1961).
    spread = {Suspicion.LEAK: 0.1 * 66.125, Suspicion.READING: 10.0}
    weight = {}
    for kind, (statistic, length, prior) in {
        Suspicion.LEAK: (3.64, 1.0, 0.2 / 4),
        Suspicion.READING: (3.204749, 2 / 3, 0.6 / 6),
    }.items():
        v = spread[kind] ** 2 * length
        weight[kind] = prior * np.exp(0.5 * statistic**2 * v / (1 + v)) / np.sqrt(1 + v)
    odds = told[Suspicion.LEAK].probability / told[Suspicion.READING].probability
    assert odds == pytest.approx(weight[Suspicion.LEAK] / weight[Suspicion.READING], rel=0.02)
