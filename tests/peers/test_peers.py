"""The judges are judged first: against one another and against a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile import Reading
from tests.flowsheets import Sampling, bypass_network, random_circuit
from tests.peers import convex
from tests.peers.dense import Dense
from tests.peers.general import best_of
from tests.peers.statement import stated


@pytest.mark.parametrize("seed", range(20))
def test_the_derivative_of_the_readings_is_right(seed: int):
    """The slopes of masses and assays equal central differences."""
    circuit = random_circuit(seed, streams=7, components=2)
    statement = stated(circuit.flowsheet, circuit.readings)
    z = statement.coordinates(circuit.truth)
    step = 1e-6
    numeric = np.column_stack(
        [
            (
                statement.predictions(statement.flows(z + step * e))
                - statement.predictions(statement.flows(z - step * e))
            )
            / (2 * step)
            for e in np.eye(z.size)
        ]
    )

    slopes = statement.slopes(circuit.truth)

    np.testing.assert_allclose(numeric, slopes, rtol=1e-5, atol=1e-7 * np.max(np.abs(slopes)))


@pytest.mark.parametrize("seed", range(20))
def test_general_and_convex_judges_agree_on_networks(seed: int):
    """A network of flows has one optimum, whichever optimiser finds it."""
    circuit = random_circuit(
        seed, streams=12, components=0, sampling=Sampling(mass_error=(0.05, 0.6))
    )
    statement = stated(circuit.flowsheet, circuit.readings)
    rng = np.random.default_rng(seed)

    general = best_of(statement, [statement.start(rng), statement.start(rng)])
    programme = convex.flows(statement)

    assert programme is not None
    assert general.kkt < 1e-9
    assert general.objective == pytest.approx(programme.objective, rel=1e-9, abs=1e-12)


def test_judges_agree_with_the_projection_in_closed_form():
    """
    Unit variances: adjustments are ``-Aᵀ (A Aᵀ)⁻¹ A y``.

    Network and readings of Narasimhan & Jordache (2000), chapter 1, quoted from memory.
    """
    y = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])
    statement = stated(
        bypass_network(), [Reading(str(i + 1), "mass", v, 1.0) for i, v in enumerate(y)]
    )
    A = statement.incidence
    x = y - A.T @ np.linalg.solve(A @ A.T, A @ y)

    found = best_of(statement, [statement.start(np.random.default_rng(0))])

    assert found.kkt < 1e-12
    np.testing.assert_allclose(found.flows[:, 0], x, rtol=1e-12)
    dense = Dense(statement, found.flows)
    covariance = np.eye(6) - A.T @ np.linalg.solve(A @ A.T, A)
    np.testing.assert_allclose(
        [dense.sd(dense.mass(s)) for s in range(6)], np.sqrt(np.diag(covariance)), rtol=1e-12
    )
    assert dense.degrees_of_freedom == 4
