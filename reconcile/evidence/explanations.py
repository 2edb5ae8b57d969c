"""
What may be behind one finding: explanations that no size of error tells apart, and likely others.

Beside all other findings, two hypotheses look the same where the angle between their signatures is
small, ``cos = g·M h / sqrt(g·M g h·M h)``: a leak at a node and a bias of a stream at the edge of a
network of masses, readings in a row that nothing else checks.  They come together.  So does what
is not the same but fits nearly as well, by its probability.  Where the balance is bent, readings
set aside speak for themselves: signatures tell of a straight line only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Explanation, HypothesisTest
from reconcile.kernel.lazy import lazy

from .multiplicity import two_sided
from .space import Signature
from .telling import Moved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.kernel.problem import Floats

    from .aside import Aside
    from .elimination import View
    from .exchanges import Exchange
    from .serial import Given

LIKELY = 0.05
"""Probability from which an explanation is told although it is not the same as the first."""

LEAST_TOLD = 1e-2
"""Probability, as a share of the first one's, from which an explanation that is the same is told:
what would be the same but for being absurdly large is not."""

MOST_TOLD = 12
"""Explanations told of one finding."""


_NOTHING = 1e-150
"""In place of a length of zero, so that nothing is divided by it."""


_ACROSS = 90.0
"""Angle in degrees of what has nothing in common."""


@dataclass(frozen=True)
class Told:
    """One explanation with what it does to the amounts."""

    explanation: Explanation
    moved: Moved


@dataclass(frozen=True)
class Explaining:
    """
    All that may be behind one finding, beside the ``others`` (positions) that were found.

    Errors with a size stand first, then the exchanges tried.
    """

    view: View
    others: Sequence[int]
    step: int

    @lazy
    def given(self) -> Given:
        """Scores and lengths beside the others."""
        return self.view.search.given(self.others)

    @property
    def exchanges(self) -> list[Exchange]:
        """The exchanges tried beside the others."""
        return self.view.judged(self.others).exchanges

    @lazy
    def probabilities(self) -> Floats:
        """Probabilities given that there is one error more and that it is one of these."""
        sized, prior = self.view.judged(self.others).sized, self.view.exchange_prior
        exchanged = np.array([prior + one.log_ratio for one in self.exchanges], dtype=np.float64)
        weight = np.concatenate((sized, exchanged))
        best = weight.max(initial=-np.inf)
        shares = np.exp(weight - best) if np.isfinite(best) else np.zeros(len(weight))
        return np.asarray(shares / max(float(shares.sum()), 1.0))

    def _aside(self, k: int) -> Aside | None:
        """Give an explanation as a reading set aside, where that is how it was judged."""
        if self.others or k >= self.view.tried:
            return None
        return self.view.asides.get(self.view.search.space.hypotheses[k])

    def _alone(self, k: int) -> Signature:
        """Give the signature of an explanation as if nothing else were wrong."""
        search = self.view.search
        if k < self.view.tried:
            return search.signature(k)
        exchange = self.exchanges[k - self.view.tried]
        rows = np.array(exchange.rows, dtype=np.int64)
        return search.space.signature_of(rows, np.array(exchange.shifts))

    def _beside(self, k: int) -> Signature:
        """Give the signature of an explanation, the sizes of the others estimated anew."""
        alone = self._alone(k)
        known = [self.view.search.signature(o) for o in self.others]
        if not known:
            return alone
        inner = np.array([[one.crosses[o] for o in self.others] for one in known])
        shares = np.linalg.lstsq(inner, alone.crosses[list(self.others)])[0]
        return Signature(
            alone.move - shares @ np.array([one.move for one in known]),
            alone.seen - shares @ np.array([one.seen for one in known]),
            alone.crosses - shares @ np.array([one.crosses for one in known]),
        )

    def _angles(self, best: int) -> Floats:
        """Give the angle of every explanation with the best, those of exchanges if likely."""
        aside = self._aside(best)
        if aside is not None:
            every = [self._aside(k) for k in range(len(self.probabilities))]
            return np.array([_ACROSS if one is None else one.angle(aside.fall) for one in every])
        first = self._beside(best)
        given, tried = self.given, self.view.tried
        size = max(float(np.linalg.norm(first.seen)), _NOTHING)
        cosines = np.zeros(len(self.probabilities))
        length = np.sqrt(np.where(given.apart, given.lengths, 1.0))
        cosines[:tried] = np.where(given.apart, first.crosses / (length * size), 0.0)
        for k in tried + np.flatnonzero(self.probabilities[tried:] >= LIKELY):
            seen = self._beside(int(k)).seen
            cosines[k] = first.seen @ seen / (size * max(float(np.linalg.norm(seen)), _NOTHING))
        return np.asarray(np.degrees(np.arccos(np.clip(np.abs(cosines), 0.0, 1.0))))

    def told(self, angle: float) -> list[Told]:
        """Give the explanations worth telling, the most probable first."""
        probable = self.probabilities
        angles = self._angles(int(np.argmax(probable)))
        alike = (angles <= angle) & (probable >= LEAST_TOLD * probable.max())
        told = np.flatnonzero((probable >= LIKELY) | alike)
        order = told[np.argsort(-probable[told], kind="stable")][:MOST_TOLD]
        return [
            Told(
                Explanation(
                    self._test(k), float(angles[k]), bool(angles[k] <= angle), float(probable[k])
                ),
                self._moved(k),
            )
            for k in order.tolist()
        ]

    def told_aside(self, aside: Aside) -> Told:
        """Give a reading set aside that has no residual here, since its stream was emptied."""
        test = aside.test(self.view.adjusted(aside.p_value, len(self.view.asides), self.step))
        weight = np.array(list(self.view.aside_weights.values()))
        share = 1 / float(np.exp(weight - weight.max()).sum())
        explanation = Explanation(test, 0.0, True, share)
        return Told(explanation, aside.moved(self.view.at.solution.x))

    def next_best(self, passed: Sequence[Told]) -> Moved | None:
        """Give the most probable explanation that was not told."""
        done = {one.explanation.test.hypothesis for one in passed}
        for k in np.argsort(-self.probabilities, kind="stable").tolist():
            if self.probabilities[k] > 0 and self._test(k).hypothesis not in done:
                return self._moved(k)
        return None

    def _test(self, k: int) -> HypothesisTest:
        view, given = self.view, self.given
        if k >= view.tried:
            exchange = self.exchanges[k - view.tried]
            possible = view.exchanges.possible
            return exchange.test(view.adjusted(exchange.p_value, possible, self.step))
        aside = self._aside(k)
        if aside is not None:
            return aside.test(view.adjusted(aside.p_value, view.tried, self.step))
        statistic = float(given.statistics[k])
        p_value = float(two_sided(np.array([statistic]))[0])
        return HypothesisTest(
            view.search.space.hypotheses[k],
            float(given.scores[k] / given.lengths[k]),
            float(1 / np.sqrt(given.lengths[k])),
            statistic,
            p_value,
            view.adjusted(p_value, view.tried, self.step),
        )

    def _moved(self, k: int) -> Moved:
        """Give what an explanation does to the amounts."""
        aside = self._aside(k)
        if aside is not None:
            return aside.moved(self.view.at.solution.x)
        test = self._test(k)
        size, sd = (1.0, 0.0) if test.size is None or test.sd is None else (test.size, test.sd)
        return Moved(test.hypothesis, self._beside(k).move, size, sd)
