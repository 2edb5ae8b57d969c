"""The evidence about one balance: every test, what cannot be true, and what each decision does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from reconcile.findings import (
    Decision,
    Evidence,
    Explanation,
    Family,
    Finding,
    HypothesisTest,
    Suspicion,
)
from reconcile.kernel.limits import HALF_WEIGHT
from reconcile.kernel.losses import Loss
from reconcile.options import Robust

from .decisions import MOST_DECISIONS, balanced_anew, can_be_balanced, to_first_order
from .explanations import explained, moved
from .imbalances import node_tests
from .multiplicity import adjusted, critical, size_of, threshold, two_sided
from .odds import log_prior
from .serial import MOST_FOUND, Search
from .space import Space, space_of
from .telling import Moved, telling

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.balance import Balance
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation
    from reconcile.options import Scrutiny
    from reconcile.readings import Reading

    from .decisions import Balancing

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

    def evidence(self) -> Evidence:
        """Give all that can be said."""
        test, level = self.balance.test, self.scrutiny.level
        kinds = self.at.solution.losses.kind
        if np.isin(kinds, (Loss.HUBER, Loss.BISQUARE)).any():
            return Evidence(_ROBUST, level)
        if test is None or test.degrees_of_freedom == 0:
            return Evidence(_UNCHECKED, level)
        space = space_of(self.at, self.counted)
        search = Search(space, log_prior(space.hypotheses, self.scrutiny.prior))
        nodes, groups = node_tests(self.at.solution.plan.model, self.readings, self.scrutiny)
        chosen = self._chosen(search)
        findings, told = self._findings(search, chosen)
        limits = np.isin(kinds, (Loss.BELOW, Loss.ABOVE)).any()
        return Evidence(
            _PLAIN + (_BOUNDS if self.balance.active_bounds else "") + (_LIMITS if limits else ""),
            level,
            float(chi2.isf(level, test.degrees_of_freedom)),
            readings=self._family(space, (Suspicion.READING,)),
            shared=self._family(space, (Suspicion.SHARED_ERROR, Suspicion.CONTENT)),
            leaks=self._family(space, (Suspicion.LEAK, Suspicion.WATER_LEAK)),
            nodes=nodes,
            groups=groups,
            findings=findings,
            decisions=self._decisions(search, chosen, findings, told),
            discounted=self._discounted() if findings else None,
        )

    def _family(self, space: Space, kinds: tuple[Suspicion, ...]) -> Family:
        """Give the tests of one kind, each hypothesis against nothing being wrong."""
        control, level = self.scrutiny.control, self.scrutiny.level
        of = np.array([h.suspicion in kinds for h in space.hypotheses], dtype=bool)
        chosen = np.flatnonzero(of)
        scores, lengths = space.scores[chosen], space.lengths[chosen]
        statistic = scores / np.sqrt(lengths)
        p_values = two_sided(statistic)
        tests = tuple(
            HypothesisTest(space.hypotheses[k], float(b), float(sd), float(z), float(p), float(q))
            for k, b, sd, z, p, q in zip(
                chosen.tolist(),
                scores / lengths,
                1 / np.sqrt(lengths),
                statistic,
                p_values,
                adjusted(p_values, control),
                strict=True,
            )
        )
        limit = critical(p_values, control, level)
        return Family(len(tests), limit, size_of(level), tests)

    def _least(self, space: Space, step: int) -> float:
        control, level = self.scrutiny.control, self.scrutiny.level
        return size_of(threshold(control, level, len(space.hypotheses), step))

    def _chosen(self, search: Search) -> list[int]:
        """Give what is found, one after the other, each significant beside the others."""
        chosen: list[int] = []
        test = self.balance.test
        degrees = 0 if test is None else test.degrees_of_freedom
        while len(chosen) < min(MOST_FOUND, degrees):
            least = self._least(search.space, len(chosen) + 1)
            best = search.most_probable(chosen, least)
            if best is None:
                break
            chosen = search.reconsidered([*chosen, best], least)
        while chosen:
            sizes = np.abs(search.beside_the_others(chosen))
            weakest = int(np.argmin(sizes))
            if sizes[weakest] >= self._least(search.space, len(chosen)):
                break
            chosen.pop(weakest)
        return chosen

    def _findings(
        self, search: Search, chosen: list[int]
    ) -> tuple[tuple[Finding, ...], list[list[Moved]]]:
        findings, told = [], []
        for step, k in enumerate(chosen, 1):
            others = [o for o in chosen if o != k]
            counted = (len(search.space.hypotheses), step)
            places, explanations = explained(search, others, self.scrutiny, counted)
            moves = moved(search, others, places)
            findings.append(self._finding(search, others, places, explanations, moves))
            told.append(moves)
        return tuple(findings), told

    def _finding(
        self,
        search: Search,
        others: list[int],
        places: list[int],
        explanations: tuple[Explanation, ...],
        moves: list[Moved],
    ) -> Finding:
        first, beside = explanations[0].test, None
        if len(places) == 1:
            second = search.next_best([*others, *places], others)
            if second is not None:
                beside = search.space.hypotheses[second]
                moves = moved(search, others, [*places, second])
        return Finding(
            explanations,
            first.p_value,
            first.adjusted,
            telling(self.at, moves, self.readings),
            beside,
        )

    def _decisions(
        self,
        search: Search,
        chosen: list[int],
        findings: tuple[Finding, ...],
        told: list[list[Moved]],
    ) -> tuple[Decision, ...]:
        """Give each explanation taken for true, then the first ones of all findings together."""
        decisions: list[Decision] = []
        single = [one for moves in told for one in moves][:MOST_DECISIONS]
        for one in single:
            anew = self.at.is_small or len(single) == 1
            decisions += self._decided([one], np.array([[one.sd**2]]), anew=anew)
        if len(findings) > 1:
            decisions += self._together(search, chosen)
        return tuple(decisions)

    def _decided(self, moves: list[Moved], covariance: Floats, *, anew: bool) -> list[Decision]:
        hypotheses = [one.hypothesis for one in moves]
        if anew and all(can_be_balanced(h) for h in hypotheses):
            sheet = self.at.solution.plan.model.flowsheet
            found = balanced_anew(sheet, self.balance, self.readings, hypotheses, self.balanced)
            return [] if found is None else [found]
        return [to_first_order(self.at, self.balance, moves, covariance)]

    def _together(self, search: Search, chosen: list[int]) -> list[Decision]:
        """Give all findings taken for true, their sizes estimated together."""
        space = search.space
        signatures = [search.signature(k) for k in chosen]
        inner = np.array([one.crosses[chosen] for one in signatures])
        covariance = np.linalg.inv(0.5 * (inner + inner.T))
        sizes = covariance @ space.scores[chosen]
        moves = [
            Moved(space.hypotheses[k], one.move, float(size), float(np.sqrt(variance)))
            for k, one, size, variance in zip(
                chosen, signatures, sizes, np.diag(covariance), strict=True
            )
        ]
        return self._decided(moves, covariance, anew=True)

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
