"""Scaling of compressed rows in place of diagonal products, which may drop stored zeros."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

if TYPE_CHECKING:
    from .problem import Floats


def scale_columns(rows: sp.csr_array, factor: Floats) -> sp.csr_array:
    """Give the rows with column j multiplied by ``factor[j]``, every stored entry kept."""
    rows.sort_indices()  # shared below: sorting one of the two later would mix up the other
    data = rows.data * factor[rows.indices]
    return sp.csr_array((data, rows.indices, rows.indptr), shape=rows.shape)


def scale_rows(rows: sp.csr_array, factor: Floats) -> sp.csr_array:
    """Give the rows with row i multiplied by ``factor[i]``, every stored entry kept."""
    rows.sort_indices()
    data = rows.data * np.repeat(factor, np.diff(rows.indptr))
    return sp.csr_array((data, rows.indices, rows.indptr), shape=rows.shape)


def largest_in_rows(rows: sp.csr_array) -> Floats:
    """Give the largest absolute entry of each row, 0 for an empty one: shape (rows,)."""
    largest = np.zeros(rows.shape[0])
    filled = np.diff(rows.indptr) > 0
    if filled.any():
        starts = rows.indptr[:-1][filled]
        largest[filled] = np.maximum.reduceat(np.abs(rows.data), starts)
    return largest


def at_unit_size(rows: sp.csr_array) -> tuple[sp.csr_array, Floats]:
    """Give the rows with a largest entry of one each, and what each was multiplied by, (rows,)."""
    factor = reciprocal(largest_in_rows(rows))
    return scale_rows(rows, factor), factor


def reciprocal(size: Floats) -> Floats:
    """Give ``1 / size``, with 1 where the size is zero."""
    return np.where(size > 0, 1 / np.where(size > 0, size, 1.0), 1.0)


def squared_columns(rows: sp.csr_array) -> Floats:
    """Give the sum of squares of each column: shape (columns,)."""
    return np.bincount(rows.indices, rows.data**2, rows.shape[1]).astype(np.float64)


def squared_rows(rows: sp.csr_array) -> Floats:
    """Give the sum of squares of each row: shape (rows,)."""
    row = np.repeat(np.arange(rows.shape[0]), np.diff(rows.indptr))
    return np.bincount(row, rows.data**2, rows.shape[0]).astype(np.float64)
