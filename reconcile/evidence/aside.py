"""
Readings set aside in turn, the rest balanced anew, where the residuals are no guide.

A decimal point in the wrong place may bend the whole balance: streams empty, sound readings fit
ill, and what a straight line through that point says of any reading is worth little.  Without the
wrong one, and from a start that never saw it, everything else agrees.  So each reading is set aside
in turn; the fall of the sum of squares is its likelihood ratio, and the difference between what it
says and what the others foretell is the size of its error, with no straight line in between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Hypothesis, HypothesisTest, Suspicion
from reconcile.measurands import measurand
from reconcile.rows import measurands_as_ratios

from .decisions import changed
from .multiplicity import two_sided
from .odds import log_ratio
from .space import GROSS
from .telling import Moved

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from reconcile.kernel.problem import Floats, Ints
    from reconcile.linearisation import Linearisation
    from reconcile.plan import Plan
    from reconcile.readings import Reading

    from .exchanges import Exchange

    Relinearising = Callable[[Sequence[Reading]], Linearisation | None]
    Costing = Callable[[Plan, Floats, Floats, Ints], Floats]

MOST_SET_ASIDE = 16
"""Readings of a large flowsheet that are set aside in turn, those that fit worst first; of a small
one all are."""

MOST_UNSETTLED = 12
"""Of those that the compiled road does not settle, how many are tried on the general one; of a
small flowsheet without any balance all are, since nothing says which fit worst."""

MOST_EXCHANGED = 24
"""Exchanges that are balanced anew beside readings set aside, the likeliest of a straight line."""

NEAR = 30.0
"""Sum of squares above the least one up to which a reading is balanced without in full: beyond, it
is less probable by six orders of magnitude."""


@dataclass(frozen=True)
class Aside:
    """
    What one reading set aside does.

    ``cost`` without it, where it ``stands`` at more with it; ``size`` ± ``sd``, what it reads above
    the ``foretold`` value of the others, ``own`` its stated sd; ``amounts`` (n,) without it.
    """

    reading: int
    cost: float
    stands: float
    size: float
    sd: float
    own: float
    foretold: float
    amounts: Floats

    @property
    def fall(self) -> float:
        """The fall of the sum of squares."""
        return self.stands - self.cost

    @property
    def hypothesis(self) -> Hypothesis:
        """The suspicion that it is wrong."""
        return Hypothesis(Suspicion.READING, (self.reading,))

    @property
    def log_ratio(self) -> float:
        """The log of its likelihood ratio, integrated over the size of the error."""
        larger = max(abs(self.foretold), abs(self.foretold + self.size))
        spread, slip = np.array([[GROSS * self.own], [larger]]) / self.sd
        return float(log_ratio(np.sqrt([self.fall]), np.ones(1), spread, slip)[0])

    @property
    def statistic(self) -> float:
        """The root of its likelihood ratio, signed like its error."""
        return float(np.copysign(np.sqrt(self.fall), self.size))

    @property
    def p_value(self) -> float:
        """The chance of so large a statistic if nothing is wrong."""
        return float(two_sided(np.array([self.statistic]))[0])

    def moved(self, x: Floats) -> Moved:
        """Give what it does to the amounts of a balance at ``x`` (n,)."""
        move = np.zeros(len(x))
        move[: len(self.amounts)] = (self.amounts - x[: len(self.amounts)]) / self.size
        return Moved(self.hypothesis, move, self.size, self.sd)

    def angle(self, fall: float) -> float:
        """
        Give the angle in degrees with an error that lets the sum of squares fall by ``fall``.

        Whatever is alike takes as much of the other's error out as the cosine says.
        """
        return float(np.degrees(np.arccos(np.sqrt(min(self.fall / fall, 1.0)))))

    def test(self, adjusted: float) -> HypothesisTest:
        """Give its test."""
        return HypothesisTest(
            self.hypothesis, self.size, self.sd, self.statistic, self.p_value, adjusted
        )


@dataclass(frozen=True)
class Setting:
    """
    How readings are set aside.

    ``anew`` balances and linearises a copy of the readings; ``costs`` gives the sums of squares of
    values (m,) and sds (m,) on a plan without each of some readings (positions), soon or not at
    all (NaN).
    """

    anew: Relinearising
    costs: Costing

    def in_turn(
        self, readings: Sequence[Reading], at: Linearisation, counted: Sequence[int]
    ) -> list[Aside]:
        """Set aside each reading that may be behind what does not fit in the balance ``at``."""
        solution = at.solution
        # Readings of streams that the balance emptied have no residual, and count as the worst.
        size = np.where(solution.used, np.abs(solution.residuals), np.inf)[: len(counted)]
        order = np.argsort(-size, kind="stable")
        order = order if at.is_small else order[:MOST_SET_ASIDE]
        given = (solution.plan, solution.own_values, solution.own_sds)
        return self._of(readings, counted, order, given, solution.cost, MOST_UNSETTLED)

    def exchanged(
        self, readings: Sequence[Reading], exchanges: Sequence[Exchange], stands: float
    ) -> list[Exchange]:
        """Give exchanges with the likeliest ones balanced anew, those first that fit best."""
        judged = []
        for one in exchanges[:MOST_EXCHANGED]:
            at = self.anew(changed(readings, [one.hypothesis]))
            fall = one.fall if at is None else 0.5 * (stands - at.solution.cost)
            judged.append(replace(one, fall=fall))
        judged += exchanges[MOST_EXCHANGED:]
        return sorted(judged, key=lambda one: -one.log_ratio)

    def where_there_is_none(
        self, readings: Sequence[Reading], plan: Plan, counted: Sequence[int]
    ) -> list[Aside]:
        """Set aside each reading where all together lead to no balance; the best first."""
        values, sds = (np.array([f(readings[i]) for i in counted]) for f in (_value, _sd))
        every = np.arange(len(counted))
        given = (plan, values, sds)
        found = self._of(readings, counted, every, given, np.inf, len(every))
        return sorted(found, key=lambda one: one.cost)

    def _of(
        self,
        readings: Sequence[Reading],
        counted: Sequence[int],
        order: Ints,
        given: tuple[Plan, Floats, Floats],
        stands: float,
        unsettled: int,
    ) -> list[Aside]:
        may = np.array([_may_be_wrong(readings[counted[k]]) for k in order], dtype=bool)
        order = order[may]
        if not len(order):
            return []
        costs = self.costs(*given, order)
        settled = np.isfinite(costs)
        least = costs[settled].min(initial=np.inf)
        chosen = order[settled & (costs <= least + NEAR)].tolist()
        chosen += order[~settled][:unsettled].tolist()
        tried = (without(counted[k], readings, stands, self.anew) for k in chosen)
        return [one for one in tried if one is not None]


def _value(reading: Reading) -> float:
    return reading.value


def _sd(reading: Reading) -> float:
    return reading.sd


def _may_be_wrong(reading: Reading) -> bool:
    """Say whether a reading counts as a number with an error."""
    return 0 < reading.sd < np.inf and reading.limit is None


def without(
    i: int, readings: Sequence[Reading], stands: float, anew: Relinearising
) -> Aside | None:
    """
    Balance without reading ``i``, where the cost with it ``stands``.

    ``None`` where that leads to no balance, to no better one, or says nothing of the reading.  What
    nothing else tells may still be at odds with a bound; its error is then as sure as the fall.
    """
    reading = readings[i]
    at = anew(changed(readings, [Hypothesis(Suspicion.READING, (i,))]))
    if at is None or not at.solution.cost < stands:
        return None
    model = at.solution.plan.model
    of = measurand(model.flowsheet, reading.of)
    value, gradient = at.of_ratios(measurands_as_ratios(model, [(reading.streams, of)]))
    size, cost = float(reading.value - value[0]), at.solution.cost
    if not np.isfinite(size) or size == 0:
        return None
    if at.observable(gradient)[0]:
        sd = float(np.sqrt(reading.sd**2 + at.variance(gradient)[0]))
    else:
        sd = abs(size) / max(float(np.sqrt(stands - cost)), 1.0)
    amounts = at.solution.x[: model.amounts]
    return Aside(i, cost, stands, size, sd, reading.sd, float(value[0]), amounts)


def in_words(asides: Sequence[Aside], readings: Sequence[Reading], p_value: float) -> str:
    """Say that there would be a balance without any one of these."""
    named = [f"{readings[one.reading].name} of {readings[one.reading].where}" for one in asides]
    first = named[0] if len(named) == 1 else f"one of these ({', '.join(named)})"
    return (
        f"Without {first} there is a balance, and a sound one (p = {p_value:.2g}): check the "
        "decimal point, then read it again."
    )
