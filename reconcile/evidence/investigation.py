"""The evidence about one balance: every test, what cannot be true, and what each decision does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri

from reconcile.findings import (
    Decision,
    Evidence,
    Family,
    Finding,
    Hypothesis,
    Suspicion,
    Tried,
)
from reconcile.kernel.lazy import lazy
from reconcile.kernel.limits import HALF_WEIGHT
from reconcile.kernel.losses import Loss
from reconcile.options import Robust

from .decisions import MOST_DECISIONS, balanced_anew, can_be_balanced, to_first_order
from .elimination import Elimination, View
from .exchanges import likelihoods
from .explanations import Explaining, Told
from .imbalances import node_tests
from .multiplicity import adjusted, critical, normal_size, size_of, threshold, two_sided
from .telling import Moved, telling

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.balance import Balance
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation
    from reconcile.options import Scrutiny
    from reconcile.readings import Reading

    from .aside import Setting
    from .decisions import Balancing
    from .elimination import Relinearising
    from .refits import Objectives

MOST_EXCHANGES_TOLD = 200
"""Tests of exchanges that are kept, the likeliest: the others say nothing but that they fit ill."""

_PLAIN = "standard normal for each test, so chi-square with one degree of freedom for its square"
_BOUNDS = "; active bounds are left out of the tests, to first order"
_LIMITS = "; approximate, since limits are not numbers"
_ROBUST = (
    "none: nothing in a robust fit has a reference distribution. Balance by least squares for the "
    "tests; the weights of the readings say what this fit discounts"
)
_UNCHECKED = "none: no reading is redundant, so nothing can be tested"


@dataclass(frozen=True)
class Investigation:
    """One balance under scrutiny."""

    at: Linearisation
    balance: Balance
    readings: Sequence[Reading]
    counted: Sequence[int]
    scrutiny: Scrutiny
    balanced: Balancing
    relinearised: Relinearising
    objectives: Objectives
    setting: Setting

    def evidence(self) -> Evidence:
        """Give all that can be said."""
        test, level = self.balance.test, self.scrutiny.level
        kinds = self.at.solution.losses.kind
        if np.isin(kinds, (Loss.HUBER, Loss.BISQUARE)).any():
            return Evidence(_ROBUST, level)
        if test is None or test.degrees_of_freedom == 0:
            return Evidence(_UNCHECKED, level)
        nodes, groups = node_tests(self.at.solution.plan.model, self.readings, self.scrutiny)
        put_back, chosen = self.elimination.found(test.degrees_of_freedom)
        told = self._told(put_back, chosen)
        limits = np.isin(kinds, (Loss.BELOW, Loss.ABOVE)).any()
        exchanges, untried = self._exchanges()
        return Evidence(
            _PLAIN + (_BOUNDS if self.balance.active_bounds else "") + (_LIMITS if limits else ""),
            level,
            float(chdtri(test.degrees_of_freedom, level)),
            readings=self._family((Suspicion.READING,)),
            shared=self._family((Suspicion.SHARED_ERROR, Suspicion.CONTENT)),
            leaks=self._family((Suspicion.LEAK, Suspicion.WATER_LEAK)),
            exchanges=exchanges,
            nodes=nodes,
            groups=groups,
            findings=tuple(finding for finding, _ in told),
            decisions=self._decisions(put_back, chosen, [one for _, all_ in told for one in all_]),
            discounted=self._discounted() if told else None,
            left_untried=untried,
        )

    @lazy
    def first(self) -> View:
        """The balance as it stands."""
        parts = (self.at, self.readings, self.counted, self.scrutiny)
        return View(*parts, self.objectives, self.setting)

    @lazy
    def elimination(self) -> Elimination:
        """The search for errors."""
        return Elimination(self.first, self.relinearised)

    def _family(self, kinds: tuple[Suspicion, ...]) -> Family:
        """Give the tests of one kind, each hypothesis against nothing being wrong."""
        control, level, space = self.scrutiny.control, self.scrutiny.level, self.first.search.space
        of = np.array([h.suspicion in kinds for h in space.hypotheses], dtype=bool)
        chosen = np.flatnonzero(of)
        scores, lengths = space.scores[chosen], space.lengths[chosen]
        statistic = scores / np.sqrt(lengths)
        p_values = two_sided(statistic)
        sizes = (scores / lengths, 1 / np.sqrt(lengths))
        tests = Tried(
            [space.hypotheses[k] for k in chosen.tolist()],
            np.stack((*sizes, statistic, p_values, adjusted(p_values, control))),
        )
        limit = critical(p_values, control, level)
        return Family(len(chosen), limit, size_of(level), tests)

    def _exchanges(self) -> tuple[Family, tuple[str, ...]]:
        """Give the tests of exchanges, and what to say of those that were not tried."""
        exchanges, control = self.first.exchanges, self.scrutiny.control
        possible, level = exchanges.possible, self.scrutiny.level
        judged = self.first.judged([])
        tried = judged.exchanges
        statistic, of_tried = likelihoods(tried)
        p_values = np.ones(possible)
        p_values[: len(tried)] = of_tried
        raised = adjusted(p_values, control)
        told = tried[:MOST_EXCHANGES_TOLD]
        most = len(told)
        numbers = np.full((5, most), np.nan)
        numbers[2:] = statistic[:most], p_values[:most], raised[:most]
        tests = Tried([one.hypothesis for one in told], numbers, sized=False)
        limit = normal_size(threshold(control, level, possible)) if possible else float("inf")
        said = (
            f"Of {possible} possible exchanges of bags, trays, values and components "
            f"{judged.tried} were tried: those of the readings and streams that fit worst."
        )
        family = Family(possible, limit, normal_size(level), tests)
        return family, (said,) if judged.tried < possible else ()

    def _told(
        self, put_back: list[Hypothesis], chosen: list[Hypothesis]
    ) -> list[tuple[Finding, list[Told]]]:
        """Give each finding beside all the others."""
        found = [*put_back, *chosen]
        result = []
        for step, hypothesis in enumerate(found, 1):
            view = self.elimination.view([h for h in put_back if h != hypothesis])
            if view is None:
                continue
            aside = step <= len(put_back) and hypothesis.suspicion is Suspicion.READING
            others = [] if aside else view.positions([h for h in chosen if h != hypothesis])
            explaining = Explaining(view, others, step)
            told = explaining.told(self.scrutiny.angle)
            if aside and hypothesis not in view.places:
                told = [explaining.told_aside(view.asides[hypothesis])]
            result.append((self._finding(view, explaining, told), told))
        return result

    def _finding(self, view: View, explaining: Explaining, told: list[Told]) -> Finding:
        first, moves = told[0].explanation.test, [one.moved for one in told]
        second = explaining.next_best(told) if len(told) == 1 else None
        if second is not None:
            moves = [*moves, second]
        return Finding(
            tuple(one.explanation for one in told),
            first.p_value,
            first.adjusted,
            telling(view.at, moves, view.readings),
            None if second is None else second.hypothesis,
        )

    def _decisions(
        self, put_back: list[Hypothesis], chosen: list[Hypothesis], told: list[Told]
    ) -> tuple[Decision, ...]:
        """Give each explanation taken for true, then the first ones of all findings together."""
        decisions: list[Decision] = []
        single = [one.explanation.test.hypothesis for one in told[:MOST_DECISIONS]]
        for hypothesis in single:
            moved = self._alone(hypothesis)
            anew = self.at.is_small or len(single) == 1 or hypothesis in put_back
            variance = np.array([[moved.sd**2]])
            decisions += self._decided(self.at, [], [moved], variance, anew=anew)
        if len(put_back) + len(chosen) > 1:
            decisions += self._together(put_back, chosen)
        return tuple(decisions)

    def _alone(self, hypothesis: Hypothesis) -> Moved:
        """Give what one explanation alone does to the balance as it stands."""
        k, search = self.first.places.get(hypothesis), self.first.search
        if k is None:
            return Moved(hypothesis, np.zeros(len(self.at.solution.x)), 0.0, 1.0)
        score, length = search.space.scores[k], search.space.lengths[k]
        move = search.signature(k).move
        return Moved(hypothesis, move, float(score / length), float(1 / np.sqrt(length)))

    def _decided(
        self,
        at: Linearisation,
        put_back: list[Hypothesis],
        moves: list[Moved],
        covariance: Floats,
        *,
        anew: bool,
    ) -> list[Decision]:
        hypotheses = [*put_back, *(one.hypothesis for one in moves)]
        exchanged = any(h.suspicion is Suspicion.EXCHANGE for h in hypotheses)
        if (anew or exchanged) and all(can_be_balanced(h) for h in hypotheses):
            sheet = self.at.solution.plan.model.flowsheet
            found = balanced_anew(sheet, self.balance, self.readings, hypotheses, self.balanced)
            return [] if found is None else [found]
        return [to_first_order(at, self.balance, hypotheses, moves, covariance)]

    def _together(self, put_back: list[Hypothesis], chosen: list[Hypothesis]) -> list[Decision]:
        """Give all findings taken for true, their sizes estimated together."""
        view = self.elimination.view(put_back)
        if view is None:
            return []
        known, space = view.positions(chosen), view.search.space
        signatures = [view.search.signature(k) for k in known]
        inner = np.array([one.crosses[known] for one in signatures]).reshape(len(known), len(known))
        covariance = np.linalg.inv(0.5 * (inner + inner.T)) if known else np.zeros((0, 0))
        sizes = covariance @ space.scores[known]
        moves = [
            Moved(space.hypotheses[k], one.move, float(size), float(np.sqrt(variance)))
            for k, one, size, variance in zip(
                known, signatures, sizes, np.diag(covariance), strict=True
            )
        ]
        return self._decided(view.at, put_back, moves, covariance, anew=True)

    def _discounted(self) -> tuple[int, ...] | None:
        """Give the readings that a robust fit discounts."""
        second = self.balanced(self.readings, Robust.HUBER)
        if second.failure is not None:
            return None
        return tuple(
            i
            for i, (reading, read) in enumerate(zip(self.readings, second.readings, strict=True))
            if reading.limit is None and np.isfinite(reading.sd) and read.weight < HALF_WEIGHT
        )
