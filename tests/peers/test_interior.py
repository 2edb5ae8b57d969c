"""The judge of everything is judged first: against closed forms, another library, another judge."""

from __future__ import annotations

import casadi as ca
import numpy as np
import pytest
from scipy.special import log_ndtr

from reconcile import Options, Reading, Robust
from tests.comparison_general import stated, unknowns
from tests.flowsheets import Circuit, bypass_network, random_circuit
from tests.peers import statement
from tests.peers.general import best_of
from tests.peers.interior import Judge, best, log_normal
from tests.surveys import Survey, Truth, survey

SEEDS = range(60)


def _survey_of(circuit: Circuit) -> Survey:
    return Survey(circuit.flowsheet, Truth(circuit.truth), circuit.readings, Options(), frozenset())


@pytest.mark.parametrize("seed", SEEDS)
def test_the_truth_of_a_survey_meets_everything_exact(seed: int):
    """Balances, sums, wholes and fixed readings hold at the truth to 1e-12, bounds too."""
    case = survey(seed)
    whole = stated(case)
    z = unknowns(whole, case.truth) / whole.size
    equal = whole.equalities

    np.testing.assert_allclose(equal.rows @ z, equal.right, atol=1e-12)
    assert np.all(z >= whole.limits[0] * (1 - 1e-12))
    assert np.all(whole.nests @ z >= -1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_readings_without_errors_are_met_by_the_truth(seed: int):
    """The vocabulary of readings gives the values that the survey works out by itself."""
    case = survey(seed, noise=0.0)
    whole = stated(case)
    x = unknowns(whole, case.truth)

    residuals = [whole.residual(x, r) for r in whole.counted if r.limit is None and r.value != 0]

    assert len(residuals) >= 1
    np.testing.assert_allclose(residuals, 0.0, atol=1e-8)


def test_the_log_of_the_normal_tail_is_that_of_another_library():
    """``log Phi`` from -40 to 8, the join of its two forms included, against SciPy."""
    points = np.concatenate([np.linspace(-40.0, 8.0, 200), [-4.0 - 1e-9, -4.0 + 1e-9]])
    t = ca.SX.sym("t")
    found = ca.Function("f", [t], [log_normal(t), ca.gradient(log_normal(t), t)])

    values = np.array([[float(part) for part in found(p)] for p in points])

    np.testing.assert_allclose(values[:, 0], log_ndtr(points), rtol=1e-9, atol=1e-15)
    hazard = np.exp(-0.5 * points**2 - log_ndtr(points)) / np.sqrt(2 * np.pi)
    np.testing.assert_allclose(values[:, 1], hazard, rtol=1e-8)


@pytest.mark.parametrize("seed", range(12))
def test_two_general_judges_agree_on_masses_and_assays(seed: int):
    """IPOPT and scipy.optimize, from statements written apart, reach the same objective."""
    circuit = random_circuit(seed, streams=6, components=2)
    whole = stated(_survey_of(circuit))
    truth = unknowns(whole, Truth(circuit.truth))
    other = statement.stated(circuit.flowsheet, circuit.readings)

    ours = Judge(whole, truth).from_(truth)
    theirs = best_of(other, [other.coordinates(circuit.truth)])

    assert ours.converged
    assert ours.objective == pytest.approx(theirs.objective, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("robust", [Robust.NONE, Robust.HUBER, Robust.BISQUARE])
def test_the_judge_has_the_optimum_in_closed_form(robust: Robust):
    """
    Unit variances, residuals within Huber's limit: adjustments are ``-Aᵀ (A Aᵀ)⁻¹ A y``.

    Network and readings of Narasimhan & Jordache (2000), chapter 1, quoted from memory; residuals
    of a tenth count as squares under Huber's loss, and nearly so under the bisquare.
    """
    y = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])
    small = 100.0
    readings = tuple(Reading(str(i + 1), "mass", v, small) for i, v in enumerate(y))
    case = Survey(
        bypass_network(), Truth(y[:, None]), readings, Options(robust=robust), frozenset()
    )
    whole = stated(case)
    A = statement.stated(case.flowsheet, readings).incidence
    x = y - A.T @ np.linalg.solve(A @ A.T, A @ y)

    found = best([Judge(whole, y, tether=0.0).from_(start) for start in (y, 0.5 * y)])

    assert found.converged
    tolerance = 1e-8 if robust is not Robust.BISQUARE else 1e-4
    np.testing.assert_allclose(found.x, x, rtol=tolerance)


def test_one_far_reading_pulls_as_huber_says():
    """
    Two readings of one stream, equal sds, far apart: each counts by ``2 k |e| - k²``.

    Three readings of one flow at 0, 0 and 10 (sd 1): the optimum leaves the two with ``x`` and the
    third with the pull ``k``, so ``2 x = k`` and ``x = 1.345 / 2``.
    """
    sheet = bypass_network()
    readings = (
        Reading("1", "mass", 100.0, 1.0),
        Reading("6", "mass", 100.0, 1.0),
        Reading(("2", "3"), "mass", 110.0, 1.0),
    )
    truth = np.array([100.0, 60.0, 40.0, 60.0, 40.0, 100.0])
    case = Survey(sheet, Truth(truth[:, None]), readings, Options(robust=Robust.HUBER), frozenset())

    found = Judge(stated(case), truth).from_(truth)

    assert found.x[0] == pytest.approx(100 + 1.345 / 2, rel=1e-9)
    assert found.objective == pytest.approx(
        2 * (1.345 / 2) ** 2 + 2 * 1.345 * (10 - 1.345 / 2) - 1.345**2, rel=1e-9
    )
