"""Plans for targets: which readings bring the sds of stated figures down most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .branching import proven
from .goals import SmallSds
from .outlook import Outlook
from .questions import Method, Promise, Question
from .relaxation import relaxed
from .telling import Chosen, Sds, searcher_of, told

if TYPE_CHECKING:
    from reconcile.kernel.problem import Bools, Floats, Ints

    from .asking import Asking, Rows
    from .questions import SamplingPlan
    from .search import Searcher

GUESSED = 0.01
"""Reference sd of a target that is not known yet and has no wanted sd, as a share of its value."""

EXACT = 1e-9
"""An sd below this share of the value is rounding, as of a recovery that is always 100 %."""


def _references(question: Question, value: Floats, before: Floats) -> Floats:
    """Give the sds that those of the targets are measured by, (targets,)."""
    guessed = GUESSED * np.where(np.isfinite(value) & (value != 0), np.abs(value), 1.0)
    present = np.where(np.isnan(before) | _are_exact(value, before), guessed, before)
    wanted = np.array([t.wanted_sd or np.nan for t in question.targets])
    return np.where(np.isnan(wanted), present, wanted)


def _are_exact(value: Floats, before: Floats) -> Bools:
    """Say which targets need nothing, since they are exact already; none of unknown value."""
    return np.asarray(before <= EXACT * np.abs(value))


@dataclass(frozen=True)
class _Scale:
    """The targets to plan for among all, those that are exact, and all reference sds."""

    chosen: Ints
    exact: Bools
    references: Floats

    def sds(self, finite: Floats, open_: Floats) -> Sds:
        """Give the sds of all targets from the variances of those planned for."""
        told: list[float | None] = [0.0 if exact else None for exact in self.exact]
        for k, variance, wide in zip(self.chosen, finite, open_, strict=True):
            if wide == 0:
                told[k] = float(np.sqrt(max(variance, 0.0)) * self.references[k])
        return tuple(told)

    def of_state(self, state: Outlook) -> Sds:
        """Give the sds of all targets in a state."""
        return self.sds(state.figures, state.open_figures)


def for_targets(asking: Asking) -> SamplingPlan:
    """Give the plan that brings the sds of the targets down."""
    targets = asking.targets()
    outlook = asking.outlook(targets.gradient)
    before = np.where(outlook.open_figures > 0, np.nan, np.sqrt(np.maximum(outlook.figures, 0.0)))
    references = _references(asking.question, targets.value, before)
    whole = outlook.scaled(np.concatenate((np.ones(outlook.prospects), 1 / references)))
    closed = whole.taking_all(asking.most.astype(np.float64)).open_figures == 0
    exact = _are_exact(targets.value, before)
    before = np.where(exact, 0.0, before)
    planned_for = np.isfinite(targets.value) & closed & ~exact
    scale = _Scale(np.flatnonzero(planned_for), exact, references)
    outlook, goal = whole.of_figures(scale.chosen), SmallSds(max(len(scale.chosen), 1))
    searcher = searcher_of(asking, outlook, goal)
    chosen = _chosen(searcher, wanted=len(scale.chosen) > 0)
    each = [scale.sds(*pair) for pair in zip(*outlook.after_each(), strict=True)]
    plan = told(asking, searcher, chosen, each, scale.of_state)
    end = scale.of_state(searcher.state(chosen.counts))
    return plan.with_promises(_promises(targets, before, end, scale))


def _promises(targets: Rows, before: Floats, end: Sds, scale: _Scale) -> tuple[Promise, ...]:
    reach = np.isin(np.arange(len(end)), scale.chosen) | scale.exact
    return tuple(
        Promise(
            value=float(value) if np.isfinite(value) else None,
            sure=bool(sure),
            before=float(sd) if np.isfinite(sd) and np.isfinite(value) else None,
            after=after,
            reference=float(reference),
            within_reach=bool(reached),
        )
        for value, sure, sd, after, reference, reached in zip(
            targets.value, targets.sure, before, end, scale.references, reach, strict=True
        )
    )


def _chosen(searcher: Searcher, *, wanted: bool) -> Chosen:
    """Search, and give with the plan the index that none within the budget can pass."""
    nothing = np.zeros(len(searcher.room.costs), dtype=np.int64)
    if not wanted or not searcher.room.allowed(nothing).any():
        return Chosen(nothing, searcher.index(nothing) if wanted else None, Method.EXHAUSTIVE)
    if searcher.steps() is not None:
        counts = searcher.exhaustive()
        return Chosen(counts, searcher.index(counts), Method.EXHAUSTIVE)
    found = relaxed(searcher.outlook, searcher.room)
    if found is None:
        return Chosen(searcher.heuristic(None), None, Method.EXCHANGE)
    better = proven(searcher, found.prices, searcher.heuristic(found.degrees))
    method = Method.BRANCHED if better.is_best else Method.EXCHANGE
    return Chosen(better.counts, float(np.sqrt(better.least)), method)
