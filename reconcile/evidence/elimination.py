"""
What is found, one error after the other: the search in full, exchanges included.

A reading, a shared error or a leak is found among inner products.  An exchange changes the values
and their weights, so once it is found, all is balanced anew with the values put back, and the
search goes on there.  Findings are held at the level over everything tried: half of it is for
errors with a size, half for exchanges, where any are possible.

Where the balance is bent beyond what a straight line tells, readings are set aside in turn and
exchanges put back in turn, each with a balance of its own (:mod:`reconcile.evidence.aside`); what
is found so opens a new balance as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri

from reconcile.findings import Hypothesis, Suspicion
from reconcile.kernel.lazy import lazy

from .aside import Aside, Setting
from .decisions import changed
from .exchanges import Exchange, Exchanges
from .mending import mending
from .multiplicity import raised, size_of, threshold
from .odds import log_exchange_prior, log_prior
from .refits import Objectives, refitted
from .serial import BETTER, MOST_FOUND, Search
from .space import space_of

if TYPE_CHECKING:
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation
    from reconcile.options import Scrutiny
    from reconcile.readings import Reading

Relinearising = Callable[[Sequence["Reading"]], "Linearisation | None"]
"""Balances a copy of the readings anew and linearises there; ``None`` where there is no balance."""


ASTRAY = 10.0
"""Times its critical value from which the statistic says that residuals are no guide."""


def _pairs(exchange: Hypothesis) -> frozenset[frozenset[int]]:
    """Give which readings an exchange exchanges, whatever their order."""
    pairs = zip(exchange.readings[::2], exchange.readings[1::2], strict=True)
    return frozenset(frozenset(pair) for pair in pairs)


@dataclass(frozen=True)
class Judged:
    """
    Log weights of all errors with a size, and the likeliest exchanges, the first one first.

    ``tried`` is how many exchanges were.
    """

    sized: Floats
    exchanges: list[Exchange]
    tried: int


@dataclass(frozen=True)
class View:
    """The balance of some readings, ready to be searched."""

    at: Linearisation
    readings: Sequence[Reading]
    counted: Sequence[int]
    scrutiny: Scrutiny
    objectives: Objectives | None = None
    setting: Setting | None = None
    _judged: dict[tuple[int, ...], Judged] = field(default_factory=dict)

    @lazy
    def search(self) -> Search:
        """The search for errors with a size."""
        space = space_of(self.at, self.counted)
        return Search(space, log_prior(space.hypotheses, self.scrutiny.prior))

    @lazy
    def exchanges(self) -> Exchanges:
        """The exchanges that are possible."""
        return Exchanges(self.search, self.readings, self.counted)

    @lazy
    def places(self) -> dict[Hypothesis, int]:
        """Position of each hypothesis."""
        return {h: k for k, h in enumerate(self.search.space.hypotheses)}

    @property
    def tried(self) -> int:
        """How many errors with a size are tried."""
        return len(self.search.space.hypotheses)

    @property
    def exchange_prior(self) -> float:
        """Log probability of each exchange beforehand."""
        return log_exchange_prior(self.exchanges.possible, self.scrutiny.prior)

    @property
    def kinds(self) -> int:
        """Into how many parts the level is divided."""
        return 2 if self.exchanges.possible and self.tried else 1

    def judged(self, beside: Sequence[int]) -> Judged:
        """Weigh all errors beside some, by fits anew where the residuals are large."""
        key = tuple(beside)
        if key not in self._judged:
            self._judged[key] = self._weighed(key)
        return self._judged[key]

    def _weighed(self, beside: tuple[int, ...]) -> Judged:
        search, exchanges = self.search, self.exchanges
        given = search.given(beside)
        weight = search.weight(given)
        tried = exchanges.tried(beside) if exchanges.possible else []
        others = [search.space.hypotheses[k] for k in beside]
        asides = {} if beside else self.aside_weights
        for k, hypothesis in enumerate(search.space.hypotheses if asides else ()):
            if hypothesis.suspicion is Suspicion.READING:
                weight[k] = asides.get(hypothesis, -np.inf)
        astray = self._mended() if self.far and not beside else []
        if astray:
            return Judged(weight, astray, exchanges.possible)
        if asides and self.setting is not None:
            tried = self.setting.exchanged(self.readings, tried, self.at.solution.cost)
        sound = self._remainder(beside) <= self._usual(len(beside))
        likely = bool(tried) and tried[0].p_value <= self.limit(exchanges.possible, 1)
        if self.objectives is None or not tried or (sound and not likely):
            return Judged(weight, tried, len(tried))
        if asides or any(h.suspicion is not Suspicion.READING for h in others):
            return Judged(weight, tried, len(tried))
        worst = np.argsort(-weight, kind="stable")
        suspects = [search.space.hypotheses[k] for k in worst.tolist() if np.isfinite(weight[k])]
        anew, falls = refitted(self.readings, others, tried, suspects, self.objectives)
        for hypothesis, fall in falls.items():
            k = self.places[hypothesis]
            weight[k] = search.weight_of(k, given, fall)
        return Judged(weight, sorted(anew, key=lambda one: -one.log_ratio), len(tried))

    @lazy
    def far(self) -> bool:
        """Whether the balance is too far off for its residuals to be a guide."""
        emptied = bool(self.at.solution.emptied.any())
        return emptied or self.at.statistic > ASTRAY * self._usual(0)

    @lazy
    def asides(self) -> dict[Hypothesis, Aside]:
        """
        What each reading set aside does.

        Worked out where the balance bends, as it does by assays and at bounds, and is too far off;
        in a small flowsheet wherever the test says that something is wrong.
        """
        wrong = self.far or (self.at.is_small and self.at.statistic > self._usual(0))
        solution = self.at.solution
        held = bool(solution.optimum.binding.lower.any())
        bends = held or any(key.of.below for key in solution.plan.keys)
        if self.setting is None or not wrong or not bends:
            return {}
        found = self.setting.in_turn(self.readings, self.at, self.counted)
        return {one.hypothesis: one for one in found}

    @lazy
    def aside_weights(self) -> dict[Hypothesis, float]:
        """Log probability of each reading set aside, but for a constant."""
        suspects = [Hypothesis(Suspicion.READING, (i,)) for i in self.counted]
        prior = log_prior(suspects, self.scrutiny.prior)
        before = float(prior[0]) if len(prior) else -np.inf
        return {h: before + one.log_ratio for h, one in self.asides.items()}

    def _mended(self) -> list[Exchange]:
        """Give the exchanges as fits anew judge every one."""
        solution = self.at.solution
        if self.objectives is None:
            return []
        sheet, place = solution.plan.model.flowsheet, self.exchanges.place_of
        stands = solution.optimum.objective
        volumes = {_pairs(e.hypothesis): e.volume for e in self.exchanges.tried(())}
        result = []
        for objective, hypothesis in mending(sheet, self.readings, self.objectives):
            pairs = zip(hypothesis.readings[::2], hypothesis.readings[1::2], strict=True)
            swapped = [pair for one, other in pairs for pair in ((one, other), (other, one))]
            seen = [(place[i], i, j) for i, j in swapped if i in place]
            shifts = [
                (self.readings[j].value - self.readings[i].value) / self.readings[i].sd
                for _, i, j in seen
            ]
            rows = tuple(k for k, _, _ in seen)
            fall = 0.5 * (stands - objective)
            volume = volumes.get(_pairs(hypothesis), 0.0)
            result.append(Exchange(hypothesis, fall, volume, rows, tuple(shifts)))
        return sorted(result, key=lambda one: -one.log_ratio)

    def _remainder(self, beside: tuple[int, ...]) -> float:
        """Give the sum of squares that is left beside some errors."""
        taken = self.search.given(beside).taken
        return self.at.statistic - float((taken**2).sum())

    def _usual(self, errors: int) -> float:
        """Give the sum of squares up to which that is as it should be."""
        solution = self.at.solution
        degrees = solution.plan.degrees_with(solution.closed) - errors
        return float(chdtri(degrees, self.scrutiny.level)) if degrees > 0 else 0.0

    def positions(self, hypotheses: Sequence[Hypothesis]) -> list[int]:
        """Give where hypotheses stand, those left out that cannot be told here."""
        return [self.places[h] for h in hypotheses if h in self.places]

    def limit(self, count: int, step: int) -> float:
        """Give the p-value up to which something found at a step is significant."""
        level = self.scrutiny.level / self.kinds
        return threshold(self.scrutiny.control, level, count, step)

    def adjusted(self, p_value: float, count: int, step: int) -> float:
        """Give a p-value with everything tried taken into account."""
        return min(self.kinds * raised(p_value, self.scrutiny.control, count, step), 1.0)


@dataclass
class Elimination:
    """The search through all views that its findings open."""

    first: View
    anew: Relinearising
    _views: dict[tuple[Hypothesis, ...], View | None] = field(default_factory=dict)

    def view(self, put_back: Sequence[Hypothesis]) -> View | None:
        """Give the balance with exchanges put back and readings set aside."""
        key = tuple(put_back)
        if not key:
            return self.first
        if key not in self._views:
            readings = changed(self.first.readings, key)
            at = self.anew(readings)
            first = self.first
            counted = [i for i in first.counted if np.isfinite(readings[i].sd)]
            parts = (readings, counted, first.scrutiny, first.objectives, first.setting)
            found = None if at is None else View(at, *parts)
            self._views[key] = found
        return self._views[key]

    def found(self, degrees: int) -> tuple[list[Hypothesis], list[Hypothesis]]:
        """Give what was found with a balance of its own, and errors with a size beside that."""
        put_back: list[Hypothesis] = []
        chosen: list[Hypothesis] = []
        view = self.first
        while len(put_back) + len(chosen) < min(MOST_FOUND, degrees):
            step = len(put_back) + len(chosen) + 1
            for kept, exchange in self._exchanges(view, chosen, step):
                opened = self.view([*put_back, exchange.hypothesis])
                if opened is not None:
                    put_back.append(exchange.hypothesis)
                    view = opened
                    chosen = self._kept(view, kept, len(put_back))
                    break
            else:
                aside = None if chosen else self._aside(view, step)
                opened = None if aside is None else self.view([*put_back, aside])
                if aside is not None and opened is not None:
                    put_back = self._again([*put_back, aside])
                    view = self.view(put_back) or opened
                    continue
                more = self._sized(view, chosen, step)
                if more is None:
                    break
                chosen = more
        return put_back, self._kept(view, chosen, len(put_back))

    def _again(self, opened: list[Hypothesis]) -> list[Hypothesis]:
        """
        Give what opened the balance, each reading set aside chosen again beside all the others.

        Two errors may disguise each other as a third, which goes once both are known.
        """
        for hypothesis in opened[:-1]:
            if hypothesis.suspicion is not Suspicion.READING:
                continue
            others = [h for h in opened if h != hypothesis]
            view = self.view(others)
            if view is None or hypothesis not in view.asides:
                continue
            best = self._aside(view, len(opened))
            weight = view.aside_weights[hypothesis]
            if best is None:
                opened = others
            elif best not in opened and view.aside_weights[best] > weight + BETTER:
                opened = [*others, best]
        return opened

    def _exchanges(
        self, view: View, chosen: list[Hypothesis], step: int
    ) -> Iterator[tuple[list[Hypothesis], Exchange]]:
        """
        Give exchanges that are more probable than what stands for them, with what is kept.

        One stands for the next error, or for two that were found: each of the readings exchanged
        looks wrong by itself.
        """
        search, exchange = view.search, self._exchange(view, chosen, step)
        if exchange is not None:
            rival = view.judged(view.positions(chosen)).sized.max(initial=-np.inf)
            if not chosen:
                rival = max(rival, *view.aside_weights.values(), -np.inf)
            if view.exchange_prior + exchange.log_ratio > rival:
                yield chosen, exchange
        for a, b in combinations(chosen, 2):
            rest = [h for h in chosen if h not in (a, b)]
            exchange = self._exchange(view, rest, step)
            known, places = view.positions(rest), view.places
            rival = search.weight(search.given(known))[places[a]]
            rival += search.weight(search.given([*known, places[a]]))[places[b]]
            if exchange is not None and view.exchange_prior + exchange.log_ratio > rival:
                yield rest, exchange

    def _aside(self, view: View, step: int) -> Hypothesis | None:
        """Give the reading without which a bent balance does best, if it is significant."""
        if not view.asides:
            return None
        hypothesis = max(view.aside_weights, key=lambda h: view.aside_weights[h])
        best = view.asides[hypothesis]
        rival = view.judged(()).sized.max(initial=-np.inf)
        enough = best.p_value <= view.limit(max(view.tried, len(view.asides)), step)
        return hypothesis if enough and view.aside_weights[hypothesis] >= rival else None

    def _least(self, view: View, step: int) -> float:
        return size_of(view.limit(view.tried, step))

    def _sized(self, view: View, chosen: list[Hypothesis], step: int) -> list[Hypothesis] | None:
        """Give what is chosen with one error more, ``None`` if no other is significant."""
        search, least = view.search, self._least(view, step)
        known = view.positions(chosen)
        best = search.most_probable(known, least)
        if best is None:
            return None
        again = search.reconsidered([*known, best], least)
        return [search.space.hypotheses[k] for k in again]

    def _exchange(self, view: View, chosen: list[Hypothesis], step: int) -> Exchange | None:
        """Give the likeliest exchange beside some errors, if it is significant."""
        possible = view.exchanges.possible
        if not possible:
            return None
        exchanges = view.judged(view.positions(chosen)).exchanges
        best = exchanges[0] if exchanges else None
        return best if best is not None and best.p_value <= view.limit(possible, step) else None

    def _kept(self, view: View, chosen: list[Hypothesis], before: int) -> list[Hypothesis]:
        """Give what is still significant beside all the rest, the weakest left out one by one."""
        known = view.positions(chosen)
        while known:
            sizes = np.abs(view.search.beside_the_others(known))
            weakest = int(np.argmin(sizes))
            if sizes[weakest] >= self._least(view, before + len(known)):
                break
            known.pop(weakest)
        return [view.search.space.hypotheses[k] for k in known]
