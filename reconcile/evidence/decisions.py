"""
What each decision would do to the figures that matter: yields and recoveries to the products.

Nothing is decided here.  A reading is left out, and values are exchanged, in a copy that is
balanced anew; a leak or an error that readings share is taken into account to first order.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.stats import chi2

from reconcile import derived
from reconcile.balance import Knowledge, Known
from reconcile.findings import Decision, Figure, Suspicion
from reconcile.flowsheet import SOLIDS, Part
from reconcile.options import Robust

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.balance import Balance
    from reconcile.findings import Hypothesis
    from reconcile.flowsheet import Flowsheet, Quantity
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation
    from reconcile.readings import Reading

    from .telling import Moved

MOST_DECISIONS = 6
"""Decisions worked out singly for one balance; each may cost a balance."""


class Balancing(Protocol):
    """Balances a copy of the readings anew."""

    def __call__(self, readings: Sequence[Reading], robust: Robust = Robust.NONE) -> Balance:
        """Give the balance, without evidence."""
        ...


def can_be_balanced(hypothesis: Hypothesis) -> bool:
    """Say whether a hypothesis can be taken for true by changing readings alone."""
    return hypothesis.suspicion in (Suspicion.READING, Suspicion.EXCHANGE)


def changed(readings: Sequence[Reading], hypotheses: Sequence[Hypothesis]) -> list[Reading]:
    """Give the readings with suspects counting for nothing and values exchanged."""
    result = list(readings)
    for hypothesis in hypotheses:
        if hypothesis.suspicion is Suspicion.READING:
            i = hypothesis.readings[0]
            result[i] = replace(result[i], sd=inf, causes=())
            continue
        for a, b in zip(hypothesis.readings[::2], hypothesis.readings[1::2], strict=True):
            one, other = readings[a], readings[b]
            result[a] = replace(one, value=other.value, sd=other.sd)
            result[b] = replace(other, value=one.value, sd=one.sd)
    return result


def _figure_keys(sheet: Flowsheet) -> list[tuple[str, Quantity]]:
    """Give what is told of each product: its yield and what is recovered to it."""
    products = [s for s in sheet.products if not s.signed]
    whole = [q for q in sheet.quantities if not isinstance(q, Part)]
    return [(s.name, q) for s in products for q in whole if sheet.holds(s, q)]


def _of(balance: Balance, stream: str, of: Quantity) -> Known:
    return balance.yields[stream] if of == SOLIDS else balance.recoveries[stream, of]


def balanced_anew(
    sheet: Flowsheet,
    before: Balance,
    readings: Sequence[Reading],
    hypotheses: Sequence[Hypothesis],
    balanced: Balancing,
) -> Decision | None:
    """Give the decision as a balance of its own, ``None`` where that leads to none."""
    after = balanced(changed(readings, hypotheses))
    test = after.test
    if after.failure is not None or test is None:
        return None
    figures = tuple(
        Figure(stream, of, _of(before, stream, of), _of(after, stream, of))
        for stream, of in _figure_keys(sheet)
    )
    ends = (test.statistic, test.degrees_of_freedom, test.p_value)
    return Decision(tuple(hypotheses), True, figures, *ends)


def to_first_order(
    at: Linearisation,
    before: Balance,
    hypotheses: Sequence[Hypothesis],
    moved: Sequence[Moved],
    covariance: Floats,
) -> Decision:
    """
    Give the decision along the moves of its hypotheses, whose sizes have this ``covariance``.

    ``at`` is the balance with the exchanges among the hypotheses put back.
    """
    sheet = at.solution.plan.model.flowsheet
    after = _shares_after(at, moved, covariance)
    figures = tuple(
        Figure(stream, of, _of(before, stream, of), after[stream, of])
        for stream, of in _figure_keys(sheet)
    )
    sizes = np.array([one.size for one in moved])
    fall = float(sizes @ np.linalg.solve(covariance, sizes))
    statistic = max(at.statistic - fall, 0.0)
    degrees = at.solution.plan.degrees_with(at.solution.closed) - len(moved)
    p_value = float(chi2.sf(statistic, degrees)) if degrees > 0 else None
    return Decision(tuple(hypotheses), False, figures, statistic, degrees, p_value)


def _shares_after(
    at: Linearisation, moved: Sequence[Moved], covariance: Floats
) -> dict[tuple[str, Quantity], Known]:
    """Give every share of the feed once the amounts have moved."""
    sheet, x = at.solution.plan.model.flowsheet, at.solution.x
    rows = derived.of_feed(at.solution.plan.model)
    assert rows.below is not None  # noqa: S101 - shares of the feed have one
    found = derived.evaluate(at, rows)
    moves = np.column_stack([one.move for one in moved])
    there = x + moves @ np.array([one.size for one in moved])
    below, feed = (rows.below @ x)[rows.partner], (rows.below @ moves)[rows.partner]
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (rows.above @ there) / (rows.below @ there)[rows.partner]
        slope = rows.above @ moves - found.value[:, None] * feed
        variance = found.sd**2 + np.einsum("ij,jk,ik->i", slope, covariance, slope) / below**2
    sure = found.known & found.defined & np.isfinite(value) & np.isfinite(variance)
    keys = [(s.name, q) for s in sheet.streams for q in sheet.quantities]
    return {
        key: Known(float(v), sqrt(max(float(u), 0.0)), Knowledge.OBSERVABLE)
        if known
        else Known(None, None, Knowledge.UNOBSERVABLE)
        for key, v, u, known in zip(keys, value, variance, sure, strict=True)
    }
