"""The dense and the sparse factor are two roads to one answer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sp

from reconcile import Balance, linearisation, reconcile_balance
from reconcile.kernel import compiled, factory
from reconcile.kernel.ldl import Numeric, Symbolic
from tests.flowsheets import Array
from tests.studies.agreement import general_circuit

TABLES = ("masses", "assays", "component_masses", "yields", "recoveries", "splits")
SEEDS = [s for s in range(60) if s % 6 != 1]
"""Seeds of the general circuits in which something was weighed."""


def _both(seed: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Balance, Balance]:
    circuit = general_circuit(seed)
    monkeypatch.setattr(factory, "DENSE_SIZE", 10**6)
    dense = reconcile_balance(circuit.flowsheet, circuit.readings)
    monkeypatch.setattr(factory, "DENSE_SIZE", -1)
    return dense, reconcile_balance(circuit.flowsheet, circuit.readings)


@pytest.mark.parametrize("seed", SEEDS)
def test_dense_and_sparse_factors_agree(seed: int, monkeypatch: pytest.MonkeyPatch):
    """Statistic, degrees of freedom, classes, values and sds agree whichever factor works."""
    dense, sparse = _both(seed, monkeypatch)

    assert dense.test is not None
    assert sparse.test is not None
    if dense.active_bounds or sparse.active_bounds:
        # Further starts are tried on small flowsheets only, so an optimum may differ there.
        assert sparse.test.statistic >= dense.test.statistic * (1 - 1e-7) - 1e-9
        return
    assert sparse.test.degrees_of_freedom == dense.test.degrees_of_freedom
    assert sparse.test.statistic == pytest.approx(dense.test.statistic, rel=1e-7, abs=1e-9)
    for table in TABLES:
        for key, expected in getattr(dense, table).items():
            found = getattr(sparse, table)[key]
            assert found.knowledge is expected.knowledge, (table, key)
            if expected.value is None:
                continue
            size = abs(expected.value)
            assert math.isclose(found.value, expected.value, rel_tol=1e-7, abs_tol=1e-10), key
            assert math.isclose(found.sd, expected.sd, rel_tol=1e-4, abs_tol=1e-5 * size), key


def _quasi_definite(seed: int) -> sp.csc_array:
    rng = np.random.default_rng(seed)
    root = sp.random_array((40, 40), density=0.06, rng=rng)
    rows = sp.random_array((15, 40), density=0.12, rng=rng)
    upper = root @ root.T + sp.eye_array(40)
    return sp.csc_array(sp.block_array([[upper, rows.T], [rows, -0.01 * sp.eye_array(15)]]))


def _factored(seed: int) -> tuple[Array, Symbolic, Numeric]:
    """Give the dense inverse of a matrix, and its sparse pattern and factor."""
    matrix = _quasi_definite(seed)
    upper = sp.csc_array(sp.triu(matrix, format="csc"))
    upper.sort_indices()
    symbolic = Symbolic(upper.indptr.astype(np.int64), upper.indices.astype(np.int64))
    return np.linalg.inv(matrix.toarray()), symbolic, Numeric(symbolic, upper.data, 0.0, 1.0)


@pytest.mark.parametrize("seed", range(5))
def test_the_factor_solves_and_inverts_as_dense_algebra_does(seed: int):
    """Solutions, selected inverse and quadratic forms agree with numpy's dense inverse."""
    inverse, symbolic, numeric = _factored(seed)
    right = np.random.default_rng(seed).normal(size=(55, 3))

    np.testing.assert_allclose(numeric.solve(right), inverse @ right, rtol=1e-9, atol=1e-10)
    diagonal, inner = numeric.selected
    columns = np.repeat(np.arange(55), np.diff(symbolic.start))
    np.testing.assert_allclose(diagonal, np.diag(inverse), rtol=1e-9)
    np.testing.assert_allclose(inner, inverse[numeric.rows, columns], rtol=1e-8, atol=1e-11)
    pairs = sp.csr_array(sp.eye_array(55) + sp.diags_array(np.full(54, -2.0), offsets=1))
    rows = pairs.indptr.astype(np.int64), pairs.indices.astype(np.int64), pairs.data
    expected = np.einsum("ij,ij->i", pairs.toarray() @ inverse, pairs.toarray())
    np.testing.assert_allclose(numeric.forms(*rows, 0.0), expected, rtol=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_rows_that_share_their_elimination_have_the_forms_of_dense_algebra(seed: int):
    """Rows of any length, far apart or near, alone or with kin, agree with a dense inverse."""
    inverse, _, numeric = _factored(seed)
    rng = np.random.default_rng(seed)
    asked = rng.normal(size=(60, 55)) * (rng.random((60, 55)) < rng.uniform(0, 0.6, (60, 1)))
    sparse = sp.csr_array(asked)
    rows = sparse.indptr.astype(np.int64), sparse.indices.astype(np.int64), sparse.data
    expected = np.einsum("ij,ij->i", asked @ inverse, asked)

    for kin in (np.arange(60), np.zeros(60, dtype=np.int64), rng.integers(7, size=60)):
        np.testing.assert_allclose(numeric.forms(*rows, 0.0, kin), expected, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS[:20])
def test_a_factor_in_the_plans_order_gives_the_sds_of_the_dense_one(
    seed: int, monkeypatch: pytest.MonkeyPatch
):
    """Where no pivot is small, all that a balance says has the dense factor's sds to 1e-8."""
    circuit = general_circuit(seed)
    found = reconcile_balance(circuit.flowsheet, circuit.readings)
    monkeypatch.setattr(linearisation, "SURE_PIVOT", 2.0)
    dense = reconcile_balance(circuit.flowsheet, circuit.readings)

    assert found.warnings == dense.warnings
    for table in TABLES:
        for key, expected in getattr(dense, table).items():
            one = getattr(found, table)[key]
            assert one.knowledge is expected.knowledge, (table, key)
            assert one.value == expected.value or math.isclose(one.value, expected.value)
            # An sd that is zero in truth is rounding: the root of that of a variance.
            if expected.sd is not None and expected.sd > 1e-11 * abs(expected.value):
                assert math.isclose(one.sd, expected.sd, rel_tol=1e-8), (table, key)


def test_a_large_flowsheet_closes_and_its_statistic_fits_its_freedom():
    """Copies of one circuit side by side give that circuit's own answer, by the sparse road."""
    circuit = general_circuit(6)
    count = 30
    alone = reconcile_balance(circuit.flowsheet, circuit.readings)
    sheet = circuit.flowsheet
    nodes = tuple(f"{k} {n}" for k in range(count) for n in sheet.nodes)
    streams = tuple(
        replace(
            s,
            name=f"{k} {s.name}",
            source=s.source and f"{k} {s.source}",
            target=s.target and f"{k} {s.target}",
        )
        for k in range(count)
        for s in sheet.streams
    )
    readings = [
        replace(r, stream=f"{k} {r.stream}") for k in range(count) for r in circuit.readings
    ]
    many = replace(sheet, nodes=nodes, streams=streams)

    together = reconcile_balance(many, readings)

    assert alone.test is not None
    assert together.test is not None
    assert together.test.degrees_of_freedom == count * alone.test.degrees_of_freedom
    assert together.test.statistic == pytest.approx(count * alone.test.statistic, rel=1e-7)
    assert max(c.relative for c in together.closure) <= 1e-9
    for name, expected in alone.masses.items():
        found = together.masses[f"7 {name}"]
        assert found.knowledge is expected.knowledge
        if expected.value is not None:
            assert found.value == pytest.approx(expected.value, rel=1e-7)
            assert found.sd == pytest.approx(expected.sd, rel=1e-4)


def test_the_kernel_compiles_without_a_place_for_its_cache(monkeypatch: pytest.MonkeyPatch):
    """A read-only installation compiles in the process instead of failing."""
    monkeypatch.setattr("numba.core.caching.CacheImpl._locator_classes", [])

    def doubled(number: float) -> float:
        return 2 * number

    with pytest.raises(RuntimeError, match="cannot cache"):
        compiled.njit(cache=True)(doubled)
    assert compiled.compiled(doubled)(21.0) == 42.0
