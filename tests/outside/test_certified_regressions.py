"""
Certified linear least squares through the kernel: arrays in, arrays out.

The kernel takes readings as ratios; a regression is the case whose divisor is 1, without balances
and bounds.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.sparse as sp

from reconcile.kernel.active_set import Held
from reconcile.kernel.budget import Budget
from reconcile.kernel.factory import factory_of
from reconcile.kernel.losses import squares
from reconcile.kernel.newton import minimise
from reconcile.kernel.problem import Places, Problem, plain_ratios
from tests.peers.statement import Array

CASES = sorted(p.parent for p in Path(__file__).parent.glob("*/regression.json"))


def _problem(columns: Array, response: Array) -> Problem:
    rows, size = columns.shape
    return Problem(
        equalities=sp.csr_array((0, size)),
        target=np.zeros(0),
        ratios=plain_ratios(
            columns=size,
            indptr=np.arange(rows + 1) * size,
            indices=np.tile(np.arange(size), rows),
            above=columns.ravel(),
            below=np.zeros(columns.size),
            constant=np.ones(rows),
        ),
        y=response,
        sd=np.ones(rows),
        lower=np.full(size, -np.inf),
        within=sp.csr_array((0, size)),
        places=Places(np.arange(size), np.zeros(0, dtype=np.int64)),
        losses=squares(rows),
    )


def _solved(case: dict[str, Any]) -> tuple[Array, Array, float]:
    """Give coefficients, their sds and the residual sd, on columns of unit length."""
    columns = np.column_stack([np.array(c) for c in case["columns"].values()])
    response = np.array(case["response"])
    scale = 1 / np.linalg.norm(columns, axis=0)
    problem = _problem(columns, response).scaled(scale)
    nothing = np.zeros(columns.shape[1], dtype=bool)
    held = Held(nothing, np.zeros(0, dtype=bool), nothing, nothing)
    budget = Budget(60.0, 2000.0)
    factory = factory_of(problem, budget)
    optimum = minimise(problem, factory, np.zeros(columns.shape[1]), held, 100, budget)
    assert optimum.converged
    freedom = len(response) - columns.shape[1]
    residual_sd = float(np.sqrt(optimum.objective / freedom))
    jacobian = problem.ratios.jacobian(
        np.zeros(columns.shape[1]), np.zeros(len(response)), np.ones(len(response))
    )
    variance = factory(held, jacobian).variance(sp.csr_array(sp.eye_array(columns.shape[1])))
    return optimum.x * scale, residual_sd * np.sqrt(variance) * scale, residual_sd


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.name)
def test_a_certified_regression_is_met_by_the_kernel(path: Path):
    """Coefficients, their sds and the residual sd agree with the certified values."""
    case = json.loads((path / "regression.json").read_text(encoding="utf-8"))
    tolerance = case["relative_tolerance"]

    coefficients, sds, residual_sd = _solved(case)

    names = list(case["columns"])
    expected = [case["coefficients"][n] for n in names]
    np.testing.assert_allclose(coefficients, expected, rtol=tolerance)
    np.testing.assert_allclose(sds, [case["sds"][n] for n in names], rtol=tolerance)
    assert residual_sd == pytest.approx(case["residual_sd"], rel=tolerance)


def test_both_certified_regressions_are_found():
    """An empty walk would pass everything."""
    assert [p.name for p in CASES] == ["nist-longley", "nist-norris"]
