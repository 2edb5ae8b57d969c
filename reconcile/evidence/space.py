"""
The residuals at a solution, and what each error that is tried would look like in them.

Linearised and in units of their standard deviations the residuals are ``r = M e`` with
``M = I - J P Jᵀ``, P the posterior covariance and e standard normal errors.  An error of size b
adds ``b M g`` to them: a reading that is b too high has ``g = -1 / sd`` in its own place; a loss of
b at a node, whose balances then miss ``c`` for each unit, has ``g = -J d`` with any ``d`` that
misses the balances by c.  So ``g·r`` has the variance ``g·M g``, and

    T = (g·r)² / (g·M g)        b = g·r / (g·M g)

are the generalised likelihood ratio and the estimate (Narasimhan and Mah 1987).  For a reading T
is the square of the adjustment test in its maximum-power form (Tamhane 1982; Mah and Tamhane
1982).  Bounds are left out, as everywhere in the covariance: where one holds the estimate, the
residuals are moved on to where they would be without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from reconcile.findings import Hypothesis, Suspicion
from reconcile.flowsheet import SOLIDS, WATER
from reconcile.kernel.lazy import lazy
from reconcile.kernel.limits import LEVERAGE_TOLERANCE
from reconcile.kernel.losses import Loss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.kernel.problem import Floats, Ints
    from reconcile.linearisation import Linearisation

GROSS = 10.0
"""Standard deviation, beforehand, of an error of a reading that is wrong, in the reading's own."""

LOST = 0.1
"""The same of a leak, as a share of what enters the node."""

MOST_LOST = 1.0
"""A leak whose sd exceeds this share of what enters the node is not tried: the loss of all of it
would hardly show."""

_CAUSE = 1
"""A cause is named by itself alone, a content by a mineral and an analyte."""


@dataclass(frozen=True)
class Signature:
    """
    What an error of size one does.

    ``move`` (n,) to the true amounts if it is taken out; ``seen`` (used,) to the residuals;
    ``crosses`` (hypotheses,) are ``g·M g`` with every hypothesis.
    """

    move: Floats
    seen: Floats
    crosses: Floats


@dataclass(frozen=True)
class Space:
    """
    The residuals at a solution and the errors that are tried, in order rows then releases.

    ``rows`` (r,) are places among the readings in use, ``sds`` (r,) their standard deviations;
    ``releases`` (l, e) what each leak lets the equalities miss; ``spread`` (r + l,) the standard
    deviation beforehand of the size of each.
    """

    at: Linearisation
    hypotheses: tuple[Hypothesis, ...]
    rows: Ints
    sds: Floats
    releases: sp.csr_array
    stiffness: Floats
    spread: Floats

    @lazy
    def _settled(self) -> tuple[Floats, Floats]:
        """Residuals without bounds (used,) and the multipliers of the equalities there (e,)."""
        return self._answer(self.at.inner.residual)[1:]

    @property
    def residual(self) -> Floats:
        """Weighted residuals without bounds, (used,)."""
        return self._settled[0]

    @lazy
    def room(self) -> Floats:
        """The diagonal of M, (used,)."""
        return self.at.inner.room

    @lazy
    def scores(self) -> Floats:
        """``g·r`` of every hypothesis."""
        residual, multipliers = self._settled
        return self._seen_by(residual, multipliers)

    @lazy
    def lengths(self) -> Floats:
        """``g·M g`` of every hypothesis."""
        return np.concatenate((self.room[self.rows] / self.sds**2, self.stiffness))

    @lazy
    def slip(self) -> Floats:
        """How large a slip may be: for a reading, as it reads or should have read; else nothing."""
        solution = self.at.solution
        value = solution.values[np.flatnonzero(solution.used)[self.rows]]
        foretold = value - self.scores[: len(self.rows)] / self.lengths[: len(self.rows)]
        larger = np.maximum(np.abs(value), np.abs(foretold))
        return np.concatenate((larger, np.zeros(len(self.stiffness))))

    def signature(self, k: int) -> Signature:
        """Give what hypothesis ``k`` does."""
        if k < len(self.rows):
            return self.signature_of(self.rows[[k]], -1 / self.sds[[k]])
        inner = self.at.inner
        release = self.releases[[k - len(self.rows)]].toarray()[0]
        nothing = np.zeros(inner.rows.shape[1])
        step = inner.factor.solve(nothing, release, nothing)
        seen = -(inner.rows @ step.move)
        crosses = self._seen_by(seen, -step.multipliers)
        return Signature(step.move * self.at.solution.scale, seen, crosses)

    def signature_of(self, rows: Ints, shifts: Floats) -> Signature:
        """Give what readings in use that are shifted by ``shifts`` of their sds do."""
        pull = np.zeros(len(self.room))
        pull[rows] = shifts
        move, seen, multipliers = self._answer(pull)
        return Signature(-move, seen, self._seen_by(seen, multipliers))

    def columns(self, rows: Ints) -> Floats:
        """Give columns of M, for all readings in use (used, k)."""
        inner = self.at.inner
        spread = inner.factor.spread(inner.rows[rows].toarray().T)
        result = -np.asarray(inner.rows @ spread)
        result[rows, np.arange(len(rows))] += 1.0
        return result

    def _answer(self, change: Floats) -> tuple[Floats, Floats, Floats]:
        """Give move (n,), residuals (used,) and multipliers (e,) after a change of residuals."""
        inner = self.at.inner
        nothing = np.zeros(inner.rows.shape[1])
        step = inner.factor.solve(inner.rows.T @ change, np.zeros(len(inner.row_size)), nothing)
        seen = change + inner.rows @ step.move
        return step.move * self.at.solution.scale, np.asarray(seen), step.multipliers

    def _seen_by(self, seen: Floats, multipliers: Floats) -> Floats:
        """Give ``g·seen`` for every hypothesis, ``seen`` in the range of M."""
        return np.concatenate((-seen[self.rows] / self.sds, -(self.releases @ multipliers)))


def space_of(at: Linearisation, counted: Sequence[int]) -> Space:
    """
    Give the residual space of a solution with every error that it can show.

    ``counted`` are the positions of the readings that the plan knows.
    """
    rows, sds, of_rows = _rows_tried(at, counted)
    releases, stiffness, through, of_leaks = _leaks_tried(at)
    return Space(
        at,
        (*of_rows, *of_leaks),
        rows,
        sds,
        releases,
        stiffness,
        np.concatenate((GROSS * sds, LOST * through)),
    )


def _rows_tried(at: Linearisation, counted: Sequence[int]) -> tuple[Ints, Floats, list[Hypothesis]]:
    """Give readings, shared errors and contents that something checks, and count in full."""
    solution = at.solution
    plan, used = solution.plan, np.flatnonzero(solution.used)
    # The classes take readings as if they shared no errors, so they do not tell of causes.
    redundant = plan.redundant_with(solution.closed)[used] | (used >= len(plan.keys))
    square = solution.losses.kind[used] == Loss.SQUARE
    tried = np.flatnonzero(redundant & square & (at.inner.room > LEVERAGE_TOLERANCE))
    common = plan.model.common
    hypotheses, met = [], plan.remembered("suspected readings", dict[int, Hypothesis])
    for row in used[tried].tolist():
        if row < len(plan.keys):
            reading = counted[row]
            if reading not in met:
                met[reading] = Hypothesis(Suspicion.READING, (reading,))
            hypotheses.append(met[reading])
            continue
        of = common[row - len(plan.keys)].of
        kind = Suspicion.SHARED_ERROR if len(of) == _CAUSE else Suspicion.CONTENT
        hypotheses.append(Hypothesis(kind, of=of))
    return tried, solution.sds[used[tried]], hypotheses


def _leaks_tried(at: Linearisation) -> tuple[sp.csr_array, Floats, Floats, list[Hypothesis]]:
    """
    Give the leaks that would show: what enters a node, water with it, and water alone.

    That is what runs over, spills or is pumped in.  A loss of one component alone is no leak but
    an error of its assays.
    """
    solution, inner = at.solution, at.inner
    model = solution.plan.model
    sheet = model.flowsheet
    node, quantity = model.balances
    entering = (model.incidence > 0).astype(float) @ np.maximum(model.by_stream(solution.x), 0.0)
    parts = []
    for suspicion, of in ((Suspicion.LEAK, SOLIDS), (Suspicion.WATER_LEAK, WATER)):
        if of not in sheet.quantity_index:
            continue
        through = entering[:, sheet.quantity_index[of]]
        kept = through[node] > 0
        if suspicion is Suspicion.WATER_LEAK:
            kept &= quantity == sheet.quantity_index[WATER]
        row = np.flatnonzero(kept)
        share = entering[node[row], quantity[row]] / through[node[row]] * inner.row_size[row]
        shape = (len(sheet.nodes), len(inner.row_size))
        parts.append((suspicion, through, sp.csr_array((share, (node[row], row)), shape=shape)))
    chosen, stiffness, throughs, hypotheses = [], [], [], []
    for suspicion, through, releases in parts:
        stiff = inner.factor.stiffness(releases)
        shows = np.isfinite(stiff) & (through > 0) & (stiff * (MOST_LOST * through) ** 2 > 1)
        chosen.append(releases[np.flatnonzero(shows)])
        stiffness.append(stiff[shows])
        throughs.append(through[shows])
        hypotheses += [
            Hypothesis(suspicion, node=sheet.nodes[k]) for k in np.flatnonzero(shows).tolist()
        ]
    return (
        sp.csr_array(sp.vstack(chosen)),
        np.concatenate(stiffness),
        np.concatenate(throughs),
        hypotheses,
    )
