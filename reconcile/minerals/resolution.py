"""
Which minerals a set of assays can tell apart.

Assays are the composition matrix times the amounts of the minerals.  A mixture of minerals, some
amounts positive and some negative, that this matrix turns to nothing leaves every assay as it is:
its minerals cannot be told apart.  Mixtures are made as small as they can be (in the words of
matroid theory, circuits of the columns), so that none names a mineral without need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg as la
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]

EXACT = 1e-5
"""
Relative difference of contents that counts as none even where they carry no sd: that of the
standard atomic weights themselves, some of which are given to five digits only.
"""

COVERAGE = 2.0
"""Standard deviations by which contents must differ to tell minerals apart (about 95 %)."""


@dataclass(frozen=True)
class Resolution:
    """
    What the analytes leave open.

    ``rank`` counts the minerals that could be told apart; ``mixtures`` (minerals, k) holds in each
    column amounts of minerals, the largest 1 in size, that together leave all assays unchanged;
    ``groups`` are positions of minerals that cannot be told from each other, ascending.  A mineral
    in no group is determined.
    """

    rank: int
    mixtures: Floats
    groups: tuple[tuple[int, ...], ...]


def resolution(contents: ArrayLike, sds: ArrayLike | None = None) -> Resolution:
    """
    Find the minerals whose amounts the analytes leave open.

    ``contents`` (analytes, minerals) are mass fractions of any size and sign; ``sds`` of the same
    shape are their standard deviations, and differences within ``COVERAGE`` of them tell nothing.
    A demand that the minerals make up the whole is one more analyte, of which each contains 1.

    Raises ``ValueError`` unless both are finite matrices of one shape and no sd is negative.
    """
    matrix, noise = _checked(contents, sds)
    scaled, unit = _in_units_of_doubt(matrix, noise)
    minerals = matrix.shape[1]
    order = la.qr(scaled, mode="r", pivoting=True)[1] if scaled.size else range(minerals)
    told: list[int] = []
    mixtures: list[Floats] = []
    for mineral in map(int, order):
        mixture = _unseen(scaled, mineral, told)
        if mixture is None:
            told.append(mineral)
        else:
            amounts = _smallest(scaled, mineral, mixture) / unit
            mixtures.append(amounts / np.abs(amounts).max() + 0.0)
    found = np.array(mixtures).reshape(len(mixtures), minerals).T
    return Resolution(len(told), found, _groups(found))


def in_words(found: Resolution, minerals: Sequence[str]) -> tuple[str, ...]:
    """Say each mixture of a resolution as a sentence; ``minerals`` names the columns in order."""
    return tuple(_sentence(mixture, minerals) for mixture in found.mixtures.T)


def _checked(contents: ArrayLike, sds: ArrayLike | None) -> tuple[Floats, Floats]:
    matrix = np.asarray(contents, dtype=np.float64)
    noise = np.zeros_like(matrix) if sds is None else np.asarray(sds, dtype=np.float64)
    if matrix.ndim != 2 or noise.shape != matrix.shape:  # noqa: PLR2004 - a matrix has two axes
        raise ValueError("Contents and their sds must be matrices of analytes by minerals.")
    if not (np.isfinite(matrix).all() and np.isfinite(noise).all() and (noise >= 0).all()):
        raise ValueError("Contents must be finite, and their sds finite and not negative.")
    return matrix, noise


def _in_units_of_doubt(matrix: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """
    Scale rows, then columns, so that a mixture is unseen if it is turned to less than its length.

    Rows are divided by the doubt about an analyte's contents, columns by that about a mineral's;
    gives the matrix and the divisors of its columns.
    """
    size = np.abs(matrix).max(axis=1, initial=0.0)
    doubt = np.maximum(np.sqrt((noise**2).sum(axis=1) / max(matrix.shape[1], 1)), EXACT * size)
    doubt[doubt == 0] = 1.0
    rows = matrix / doubt[:, None]
    own = COVERAGE * la.norm(noise / doubt[:, None], axis=0)
    unit = np.hypot(EXACT * la.norm(rows, axis=0), own)
    unit[unit == 0] = 1.0
    return rows / unit, unit


def _unseen(scaled: Floats, mineral: int, others: Sequence[int]) -> Floats | None:
    """Give the mixture of a mineral and others that comes nearest to nothing, if near enough."""
    mixture = np.zeros(scaled.shape[1])
    mixture[mineral] = 1.0
    if others:
        mixture[list(others)] = -la.lstsq(scaled[:, list(others)], scaled[:, mineral])[0]
    near = la.norm(scaled @ mixture) <= la.norm(mixture)
    return mixture if near else None


def _smallest(scaled: Floats, mineral: int, mixture: Floats) -> Floats:
    """Leave out of an unseen mixture every mineral that it can do without, the least first."""
    for other in np.argsort(np.abs(mixture), kind="stable"):
        if mixture[other] != 0 and other != mineral:
            kept = [int(k) for k in np.flatnonzero(mixture) if k not in (other, mineral)]
            fewer = _unseen(scaled, mineral, kept)
            mixture = mixture if fewer is None else fewer
    return mixture


def _groups(mixtures: Floats) -> tuple[tuple[int, ...], ...]:
    """Join mixtures that share a mineral; minerals in none are left out."""
    enters = sp.csr_array(mixtures != 0, dtype=np.float64)
    labels = connected_components(enters @ enters.T, directed=False)[1]
    open_ones = np.flatnonzero((mixtures != 0).any(axis=1))
    return tuple(
        tuple(int(k) for k in open_ones[labels[open_ones] == label])
        for label in dict.fromkeys(labels[open_ones])
    )


def _sentence(mixture: Floats, minerals: Sequence[str]) -> str:
    if np.count_nonzero(mixture) == 1:
        name = minerals[int(np.flatnonzero(mixture)[0])]
        return f"{name} carries none of the analytes for certain, so they leave its amount open."
    plus, minus = (
        [(share, name) for share, name in zip(side, minerals, strict=True) if share > 0]
        for side in (mixture, -mixture)
    )
    if len(plus) == len(minus) == 1:
        names = " and ".join(sorted((plus[0][1], minus[0][1]), key=list(minerals).index))
        return (
            f"{names} carry the same analytes in the same proportions "
            f"({_amounts(plus)} shows like {_amounts(minus)}), so they cannot be told apart."
        )
    if plus and minus:
        return f"{_amounts(plus)} shows in the analytes just like {_amounts(minus)}."
    return f"{_amounts(plus or minus)} together leave the analytes as they are."


def _amounts(side: Sequence[tuple[float, str]]) -> str:
    return " with ".join(f"{share:.3g} of {name}" for share, name in side)
