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
    from collections.abc import Iterator, Sequence

    from reconcile.balance import Balance
    from reconcile.findings import Hypothesis
    from reconcile.flowsheet import Quantity
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


def balanced_anew(
    before: Balance,
    readings: Sequence[Reading],
    hypotheses: Sequence[Hypothesis],
    balanced: Balancing,
) -> Decision | None:
    """Give the decision as a balance of its own, ``None`` where that leads to none."""
    after = balanced(changed(readings, hypotheses))
    if after.failure is not None or after.test is None:
        return None
    figures = [
        Figure(stream, of, old, (after.yields if of == SOLIDS else after.recoveries)[key])
        for stream, of, old, key in _figures(before)
    ]
    test = after.test
    return Decision(
        tuple(hypotheses),
        True,
        tuple(figures),
        test.statistic,
        test.degrees_of_freedom,
        test.p_value,
    )


def _figures(before: Balance) -> Iterator[tuple[str, Quantity, Known, object]]:
    for stream, known in before.yields.items():
        yield stream, SOLIDS, known, stream
    for key, known in before.recoveries.items():
        if not isinstance(key[1], Part):
            yield *key, known, key


def to_first_order(
    at: Linearisation, before: Balance, moved: Sequence[Moved], covariance: Floats
) -> Decision:
    """Give the decision along the moves of its hypotheses, whose sizes have this ``covariance``."""
    model = at.solution.plan.model
    rows = derived.of_feed(model)
    assert rows.below is not None  # noqa: S101 - shares of the feed have one
    found = derived.evaluate(at, rows)
    moves = np.column_stack([one.move for one in moved])
    sizes = np.array([one.size for one in moved])
    x = at.solution.x
    there = x + moves @ sizes
    below = (rows.below @ x)[rows.partner]
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (rows.above @ there) / (rows.below @ there)[rows.partner]
        slope = rows.above @ moves - found.value[:, None] * (rows.below @ moves)[rows.partner]
        spread = np.einsum("ij,jk,ik->i", slope, covariance, slope) / below**2
    keys = [(s.name, q) for s in model.flowsheet.streams for q in model.flowsheet.quantities]
    after = {
        key: Known(float(v), sqrt(sd**2 + max(float(more), 0.0)), Knowledge.OBSERVABLE)
        if sure and np.isfinite(v) and np.isfinite(more)
        else Known(None, None, Knowledge.UNOBSERVABLE)
        for key, v, sd, more, sure in zip(
            keys, value, found.sd.tolist(), spread, found.known & found.defined, strict=True
        )
    }
    figures = tuple(Figure(s, of, old, after[s, of]) for s, of, old, _ in _figures(before))
    fall = float(sizes @ np.linalg.solve(covariance, sizes))
    statistic, degrees = None, None
    if before.test is not None:
        statistic = max(before.test.statistic - fall, 0.0)
        degrees = before.test.degrees_of_freedom - len(moved)
    p_value = float(chi2.sf(statistic, degrees)) if statistic is not None and degrees else None
    hypotheses = tuple(one.hypothesis for one in moved)
    return Decision(hypotheses, False, figures, statistic, degrees, p_value)
