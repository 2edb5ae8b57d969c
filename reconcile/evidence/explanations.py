"""
What may be behind one finding: explanations that no size of error tells apart, and likely others.

Beside all other findings, two hypotheses look the same where the angle between their signatures is
small, ``cos = g·M h / sqrt(g·M g h·M h)``: a leak at a node and a bias of a stream at the edge of a
network of masses, readings in a row that nothing else checks.  They come together.  So does what
is not the same but fits nearly as well, by its probability.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Explanation, HypothesisTest

from .multiplicity import raised, two_sided
from .telling import Moved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.kernel.problem import Floats
    from reconcile.options import Scrutiny

    from .serial import Given, Search

LIKELY = 0.05
"""Probability from which an explanation is told although it is not the same as the first."""

MOST_TOLD = 12
"""Explanations told of one finding."""


def angles(search: Search, given: Given, k: int) -> Floats:
    """Give the angle of every signature with that of ``k`` beside those given, in degrees."""
    column = search.signature(k).crosses - given.shared @ given.shared[k]
    length = np.where(given.apart, given.lengths, 1.0)
    cosine = np.where(given.apart, column / np.sqrt(length * max(given.lengths[k], 1e-300)), 0.0)
    return np.asarray(np.degrees(np.arccos(np.clip(np.abs(cosine), 0.0, 1.0))))


def probabilities(weight: Floats) -> Floats:
    """Give probabilities from log weights."""
    best = weight.max(initial=-np.inf)
    if not np.isfinite(best):
        return np.zeros(len(weight))
    shares = np.exp(weight - best)
    return np.asarray(shares / shares.sum())


def explained(
    search: Search, others: Sequence[int], scrutiny: Scrutiny, counted: tuple[int, int]
) -> tuple[list[int], tuple[Explanation, ...]]:
    """
    Give what may be behind one finding beside the ``others``, the most probable first.

    ``counted`` are the number of tests and the step at which it was found.
    """
    given = search.given(others)
    probable = probabilities(search.weight(given))
    first = int(np.argmax(probable))
    apart = angles(search, given, first)
    alike = given.apart & (apart <= scrutiny.angle)
    told = np.flatnonzero(alike | (probable >= LIKELY))
    told = told[np.argsort(-probable[told], kind="stable")][:MOST_TOLD]
    statistic = given.statistics
    p_values = two_sided(statistic)
    explanations = []
    for j in told.tolist():
        p_value = float(p_values[j])
        test = HypothesisTest(
            search.space.hypotheses[j],
            float(given.scores[j] / given.lengths[j]),
            float(1 / np.sqrt(given.lengths[j])),
            float(statistic[j]),
            p_value,
            raised(p_value, scrutiny.control, *counted),
        )
        explanations.append(Explanation(test, float(apart[j]), bool(alike[j]), float(probable[j])))
    return told.tolist(), tuple(explanations)


def moved(search: Search, others: Sequence[int], told: Sequence[int]) -> list[Moved]:
    """Give what each explanation does to the amounts, the sizes of the others estimated anew."""
    given = search.given(others)
    known = [search.signature(o) for o in others]
    inner = np.array([[one.crosses[o] for o in others] for one in known])
    result = []
    for j in told:
        move = search.signature(j).move
        if known:
            shares = np.linalg.lstsq(inner, search.signature(j).crosses[list(others)])[0]
            move = move - sum(s * one.move for s, one in zip(shares, known, strict=True))
        size, sd = given.scores[j] / given.lengths[j], 1 / np.sqrt(given.lengths[j])
        result.append(Moved(search.space.hypotheses[j], np.asarray(move), float(size), float(sd)))
    return result
