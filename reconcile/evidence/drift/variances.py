"""
Are the stated standard deviations right: variance components over many shifts.

With the variances of instrument g ``φ_g`` times those stated, the coordinates of a shift have the
covariance ``Σ = I + Σ_g (φ_g - 1) S_g``, ``S_g`` the sum of ``q_i q_iᵀ`` over its readings.  The
likelihood of the residuals alone is the restricted one (Patterson and Thompson 1971): what the
balance estimates is integrated out.  Its maximum is found by scoring; the first step from φ = 1
solves the moment equations of Rao (1971) and Almasy and Mah (1984).  The information about the φ is
``F_gh = ½ Σ tr(Σ⁻¹ S_g Σ⁻¹ S_h)``, and what it does not hold is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .residuals import UNCHECKED

if TYPE_CHECKING:
    from .residuals import Bools, Floats, Instruments, Ints, Residuals

LEAST = 1e-4
"""Variance ratios are held above this: an instrument a hundred times better than stated."""

INSEPARABLE = 1e-6
"""Eigenvalue of the information, scaled to a unit diagonal, below which directions are not held."""

TELLABLE = 0.5
"""Standard deviation of an estimated sd, in the sd itself, beyond which no estimate is given."""

USUAL_RATIO = 2.0
"""Factor by which half of all stated sds that are wrong are wrong beforehand, at most."""

RIDGE = 1e-8
"""Added to the scaled information so that components which it does not hold come out as unknown."""

SETTLED, _STEPS, _HALVINGS = 1e-8, 60, 12


@dataclass(frozen=True)
class Components:
    """
    Variance ratios of the instruments that were left free.

    ``ratio`` (instruments,), one where not free; ``sd`` (instruments,) their standard deviations,
    NaN where not free or not separable; ``separable`` (instruments,) whether the series tells it
    from the others; ``likelihood`` is twice its logarithm, but for a constant.
    """

    ratio: Floats
    sd: Floats
    separable: Bools
    likelihood: float


@dataclass(frozen=True)
class _State:
    """
    The residuals seen under given ratios.

    ``rows`` (kinds, readings, degrees), ``scatter`` (kinds, degrees, degrees).
    """

    rows: Floats
    scatter: Floats
    likelihood: float


def _seen(residuals: Residuals, ratio: Floats, kept: Ints) -> _State:
    """See the readings ``kept`` and the scatter under ratios (readings,)."""
    root = np.linalg.cholesky(residuals.covariance(ratio))
    rows = np.linalg.solve(root, residuals.bases[:, kept].transpose(0, 2, 1)).transpose(0, 2, 1)
    half = np.linalg.solve(root, residuals.scatter)
    scatter = np.linalg.solve(root, half.transpose(0, 2, 1))
    size = 2 * np.log(np.einsum("kvv->kv", root)).sum(axis=1)
    likelihood = -(residuals.counts @ size) - np.einsum("kvv->", scatter)
    return _State(rows, scatter, float(likelihood))


def _slope_and_information(state: _State, counts: Floats, begin: Ints) -> tuple[Floats, Floats]:
    """
    Give half the derivative of twice the log likelihood, and the information.

    ``begin`` are the first rows of each instrument, whose rows follow each other.
    """
    free = len(begin)
    slope, information = np.zeros(free), np.zeros((free, free))
    for rows, scatter, count in zip(state.rows, state.scatter, counts, strict=True):
        if count == 0:
            continue
        observed = ((rows @ scatter) * rows).sum(axis=1)
        expected = count * (rows * rows).sum(axis=1)
        slope += np.add.reduceat(observed - expected, begin) / 2
        joint = np.add.reduceat((rows @ rows.T) ** 2, begin, axis=0)
        information += count / 2 * np.add.reduceat(joint, begin, axis=1)
    return slope, information


def _inverse(information: Floats) -> tuple[Floats, Bools]:
    """Give the inverse as far as there is one, and which components are separable."""
    diagonal = np.diag(information)
    held = diagonal > 0
    scale = 1 / np.sqrt(np.where(held, diagonal, 1.0))
    values, vectors = np.linalg.eigh(information * np.outer(scale, scale))
    good = values > INSEPARABLE
    inverse = (vectors[:, good] / values[good]) @ vectors[:, good].T
    lost = (vectors[:, ~good] ** 2).sum(axis=1)
    return inverse * np.outer(scale, scale), held & (lost < INSEPARABLE)


def tellable_of(residuals: Residuals, instruments: Instruments, checked: Ints) -> Ints:
    """
    Give the instruments whose sd the series can tell to :data:`TELLABLE`, all of them free.

    Judged by the information if all sds are as stated, so not by the values read.  The one that is
    told worst is taken as stated, and so on until all others are told.
    """
    if not len(checked):
        return checked
    kept, begin = _in_order(instruments, checked)
    state = _seen(residuals, np.ones(len(instruments.of)), kept)
    _, information = _slope_and_information(state, residuals.counts, begin)
    scale = 1 / np.sqrt(np.maximum(np.diag(information), np.finfo(float).tiny))
    even = information * np.outer(scale, scale) + RIDGE * np.eye(len(checked))
    inverse = np.linalg.inv(even) * np.outer(scale, scale)
    left = np.ones(len(checked), dtype=bool)
    while left.any():
        spread = np.where(left, np.sqrt(np.maximum(np.diag(inverse), 0.0)) / 2, 0.0)
        worst = int(spread.argmax())
        if spread[worst] <= TELLABLE:
            break
        left[worst] = False
        column = inverse[:, worst].copy()
        inverse -= np.outer(column, column) / column[worst]
    return checked[left]


def _in_order(instruments: Instruments, free: Ints) -> tuple[Ints, Ints]:
    """Give the readings of sorted instruments, one after the other, and where each begins."""
    kept = np.argsort(instruments.of, kind="stable")
    kept = kept[np.isin(instruments.of[kept], free)]
    return kept, np.searchsorted(instruments.of[kept], free)


def components(
    residuals: Residuals, instruments: Instruments, free: Ints, first: Floats | None = None
) -> Components:
    """
    Estimate the variance ratios of the ``free`` instruments, the others as stated.

    ``first`` (instruments,) is where to begin.  Where directions are not held by the information
    the step along them is nothing, so they stay where they began.
    """
    ratio = np.ones(instruments.count) if first is None else first.copy()
    free = np.sort(free)
    kept, begin = _in_order(instruments, free)
    state = _seen(residuals, ratio[instruments.of], kept)
    for _ in range(_STEPS):
        slope, information = _slope_and_information(state, residuals.counts, begin)
        move = _inverse(information)[0] @ slope
        # Where the lower end holds, it holds: the others go on without.
        move = np.where((ratio[free] <= LEAST) & (move < 0), 0.0, move)
        share, before = 1.0, state
        for _ in range(_HALVINGS):
            tried = ratio.copy()
            tried[free] = np.maximum(ratio[free] + share * move, LEAST)
            state = _seen(residuals, tried[instruments.of], kept)
            if state.likelihood >= before.likelihood - SETTLED:
                break
            share /= 2
        moved = np.abs(tried - ratio) / ratio
        ratio = tried
        if moved.max(initial=0.0) < SETTLED or state.likelihood - before.likelihood < SETTLED:
            break
    _, information = _slope_and_information(state, residuals.counts, begin)
    inverse, separable = _inverse(information)
    sd, known = np.full(instruments.count, np.nan), np.zeros(instruments.count, dtype=bool)
    sd[free] = np.where(separable, np.sqrt(np.maximum(np.diag(inverse), 0.0)), np.nan)
    known[free] = separable
    return Components(ratio, sd, known, state.likelihood)


def spreads(residuals: Residuals, instruments: Instruments) -> tuple[Floats, Floats]:
    """
    Give the mean square of each instrument's standardised residuals, and how many it rests on.

    One is what the stated sds let expect.  The count is of independent squares (Satterthwaite
    1946): the number of shifts for an instrument of one reading.
    """
    of, count = instruments.of, instruments.count
    square: Floats = np.zeros(len(of))
    redundancy, cross = np.zeros_like(square), np.zeros_like(square)
    same = of[:, None] == of[None, :]
    parts = zip(residuals.bases, residuals.scatter, residuals.counts, strict=True)
    for rows, scatter, shifts in parts:
        if shifts == 0:
            continue
        square += ((rows @ scatter) * rows).sum(axis=1)
        redundancy += shifts * (rows * rows).sum(axis=1)
        cross += shifts * np.where(same, (rows @ rows.T) ** 2, 0.0).sum(axis=1)
    square, redundancy, cross = (
        np.asarray(np.bincount(of, weights=x, minlength=count), dtype=np.float64)
        for x in (square, redundancy, cross)
    )
    sure = redundancy > UNCHECKED
    safe = np.where(sure, redundancy, 1.0)
    return (
        np.where(sure, square / safe, 1.0),
        np.where(sure, redundancy**2 / np.where(cross > 0, cross, 1.0), 0.0),
    )


def gains(spread: Floats, count: Floats) -> Floats:
    """Give about twice the log likelihood ratio of each instrument's own variance being wrong."""
    return np.asarray(count * (spread - 1 - np.log(np.maximum(spread, LEAST))))


def own_ratios(residuals: Residuals, instruments: Instruments, spread: Floats) -> Floats:
    """
    Give the ratio of sds that each spread would come from if its instrument alone were wrong.

    The variance of a standardised residual is then ``1 + (φ - 1) r``.
    """
    seen = np.maximum((residuals.redundancy > 0).sum(axis=0), 1)
    r = residuals.redundancy.sum(axis=0) / seen
    of, count = instruments.of, instruments.count
    mean = np.bincount(of, r, count) / np.maximum(np.bincount(of, minlength=count), 1)
    ratio = 1 + (spread - 1) / np.where(mean > 0, mean, 1.0)
    return np.asarray(np.sqrt(np.maximum(ratio, LEAST)))


def weighed_ratios(gain: Floats, ratio: Floats) -> Floats:
    """
    Give gains less what speaks against such ratios beforehand.

    Their logarithms have a Cauchy distribution, half of it within a factor of :data:`USUAL_RATIO`.
    """
    return np.asarray(gain - 2 * np.log1p((np.log(ratio) / np.log(USUAL_RATIO)) ** 2))
