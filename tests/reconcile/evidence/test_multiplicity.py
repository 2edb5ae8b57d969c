"""Procedures for many tests, against statsmodels and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from reconcile.evidence.multiplicity import adjusted, critical, raised, threshold, two_sided
from reconcile.options import Control

PEER = {
    Control.SIDAK: "sidak",
    Control.BONFERRONI: "bonferroni",
    Control.HOLM: "holm",
    Control.BENJAMINI_HOCHBERG: "fdr_bh",
    Control.BENJAMINI_YEKUTIELI: "fdr_by",
}


@pytest.mark.parametrize("control", list(Control))
def test_adjusted_p_values_are_those_of_an_established_package(control: Control) -> None:
    """Statsmodels' multipletests gives the same for every procedure."""
    p_values = two_sided(np.random.default_rng(1).normal(0, 1.8, 40))

    assert adjusted(p_values, control) == pytest.approx(
        multipletests(p_values, method=PEER[control])[1], rel=1e-12
    )


@pytest.mark.parametrize("control", list(Control))
def test_what_passes_the_critical_size_is_what_is_significant(control: Control) -> None:
    """The critical value and the adjusted p-values tell the same tests."""
    for seed in range(20):
        statistic = np.random.default_rng(seed).normal(0, 2.0, 30)
        p_values = two_sided(statistic)

        beyond = np.abs(statistic) >= critical(p_values, control, 0.05) * (1 - 1e-12)

        assert np.array_equal(beyond, adjusted(p_values, control) <= 0.05)


@pytest.mark.parametrize("control", list(Control))
def test_raising_a_p_value_is_the_inverse_of_the_threshold(control: Control) -> None:
    """A p-value at the threshold is raised to the level, at every step."""
    for step in (1, 2, 5):
        p_value = threshold(control, 0.05, 40, step)

        assert raised(p_value, control, 40, step) == pytest.approx(0.05, rel=1e-9)


def test_no_tests_are_no_alarm() -> None:
    """Of nothing nothing is significant."""
    none = np.zeros(0)

    assert critical(none, Control.SIDAK, 0.05) == np.inf
    assert critical(none, Control.HOLM, 0.05) == np.inf
    assert len(adjusted(none, Control.BENJAMINI_HOCHBERG)) == 0
