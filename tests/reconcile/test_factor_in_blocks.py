"""A large factor, made in blocks of columns, beside dense linear algebra."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import sparse

from reconcile.kernel.ldl import DROPPED, ROW_BY_ROW, Numeric, Symbolic

TOLERANCE = 1e-10
"""A pivot of these matrices is about one, or rounding."""


def grid(wide: int, dense: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Give a quasi-definite matrix: ``wide`` grid points in bands, each seeing some of the last."""
    n = wide + dense
    matrix = np.zeros((n, n))
    for k in range(wide):
        for other in (k + 1, k + 2, k + 17, wide + int(rng.integers(dense))):
            if other < n:
                matrix[k, other] = matrix[other, k] = rng.normal()
    matrix[wide:, wide:] = rng.normal(size=(dense, dense))
    matrix[wide:, wide:] += matrix[wide:, wide:].T
    signs = np.where(rng.random(n) < 0.3, -1.0, 1.0)
    matrix[np.arange(n), np.arange(n)] = signs * (np.abs(matrix).sum(axis=1) + 1.0)
    return matrix


def factor(matrix: NDArray[np.float64], instead: float = 1.0) -> Numeric:
    """Factor a dense matrix on the pattern of its entries that are not zero."""
    upper = sparse.csc_array(np.triu(matrix))
    upper.sort_indices()
    symbolic = Symbolic(upper.indptr.astype(np.int64), upper.indices.astype(np.int64))
    return Numeric(symbolic, upper.data, TOLERANCE, instead)


@pytest.mark.parametrize(("wide", "dense"), [(0, 240), (400, 150), (900, 60)])
def test_a_factor_in_blocks_solves_as_dense_elimination_does(wide: int, dense: int) -> None:
    rng = np.random.default_rng(wide + dense)
    matrix = grid(wide, dense, rng)
    made = factor(matrix)
    assert made.symbolic.entries > ROW_BY_ROW
    for count in (1, 3, 70):
        right = rng.normal(size=(len(matrix), count))
        # The first sees little of the factor, as most that is asked for does.
        right[20:, 0] = 0.0
        expected = np.linalg.solve(matrix, right)
        np.testing.assert_allclose(made.solve(right), expected, rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize(("wide", "dense"), [(0, 240), (400, 150)])
def test_a_factor_in_blocks_gives_back_the_matrix(wide: int, dense: int) -> None:
    matrix = grid(wide, dense, np.random.default_rng(5))
    made = factor(matrix)
    n = len(matrix)
    lower = sparse.csc_array((made.lower, made.rows, made.symbolic.start), (n, n)).toarray()
    lower += np.eye(n)
    pivots = 1.0 / made.inverse_pivots
    np.testing.assert_allclose((lower * pivots) @ lower.T, matrix, atol=1e-11 * abs(matrix).max())


def test_a_factor_in_blocks_drops_what_depends_on_the_rest() -> None:
    rng = np.random.default_rng(9)
    some = rng.normal(size=(230, 220))
    made = factor(some @ some.T / 220, DROPPED)
    assert made.symbolic.entries > ROW_BY_ROW
    # The rank of a product of random matrices is that of the smaller one.
    assert made.dropped.sum() == 10
    assert made.dropped[-10:].all()


@pytest.mark.parametrize(("wide", "dense"), [(0, 240), (400, 150), (900, 60)])
def test_the_selected_inverse_of_a_factor_in_blocks_is_that_of_the_matrix(
    wide: int, dense: int
) -> None:
    matrix = grid(wide, dense, np.random.default_rng(3))
    made = factor(matrix)
    diagonal, inner = made.selected
    inverse = np.linalg.inv(matrix)
    np.testing.assert_allclose(diagonal, np.diag(inverse), rtol=1e-8, atol=1e-12)
    columns = np.repeat(np.arange(len(matrix)), np.diff(made.symbolic.start))
    np.testing.assert_allclose(inner, inverse[made.rows, columns], rtol=1e-7, atol=1e-11)


def test_quadratic_forms_on_a_factor_in_blocks_are_those_of_the_inverse() -> None:
    rng = np.random.default_rng(11)
    matrix = grid(400, 150, rng)
    rows = sparse.random_array((90, len(matrix)), density=0.006, format="csr", rng=rng)
    # Rows of one kind are eliminated together.
    kin = np.repeat(np.arange(15), 6)
    pattern = rows.indptr.astype(np.int64), rows.indices.astype(np.int64)
    found = factor(matrix).forms(*pattern, rows.data, 1e-12, kin)
    expected = np.diag(rows @ np.linalg.inv(matrix) @ rows.T)
    np.testing.assert_allclose(found, expected, rtol=1e-8, atol=1e-14)


def balanced(matrix: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Give sparse rows ``g`` for which ``g A⁻¹ gᵀ`` is nothing but rounding, (count, n)."""
    pairs = [
        (i, j)
        for i, j in zip(*np.nonzero(np.triu(matrix, 1)), strict=True)
        if matrix[i, i] * matrix[j, j] < 0
    ]
    rows = []
    for i, j in pairs[:: len(pairs) // count][:count]:
        step = np.zeros(len(matrix))
        # With g = A s the form is s A s, which this makes vanish.
        roots = np.roots([matrix[j, j], 2 * matrix[i, j], matrix[i, i]])
        step[i], step[j] = 1.0, roots[0].real
        rows.append(matrix @ step)
    return np.array(rows)


@pytest.mark.parametrize("sharing", [1, 8])
def test_forms_that_cancel_are_zero_and_others_stay_whoever_shares_their_work(sharing: int) -> None:
    rng = np.random.default_rng(13)
    matrix = grid(400, 150, rng)
    some = sparse.random_array((40, len(matrix)), density=0.006, format="csr", rng=rng).toarray()
    rows = sparse.csr_array(np.vstack((balanced(matrix, 40), some)))
    kin = rng.permutation(80) // sharing
    pattern = rows.indptr.astype(np.int64), rows.indices.astype(np.int64)
    expected = np.diag(some @ np.linalg.inv(matrix) @ some.T)
    made = factor(matrix)
    for resolution in (1e-12, 1e-6, 1e-4):
        found = made.forms(*pattern, rows.data, resolution, kin)
        assert (found[:40] == 0.0).all()
        np.testing.assert_allclose(found[40:], expected, rtol=1e-8, atol=1e-14)
