"""
Several errors: one after the other, each with all found before estimated beside it.

The most probable of those that are significant is taken; then everything is estimated again with
its size unknown (serial elimination with re-estimation: Ripps 1965; Rosenberg, Mah and Iordache
1987).  After each step the earlier choices are made again beside the later ones, since two errors
may disguise each other as a third.  At the end what is not significant beside the others goes.
All of it happens among inner products, without a further balance.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .odds import log_ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.kernel.problem import Bools, Floats

    from .space import Signature, Space

MOST_FOUND = 6
"""Errors looked for in one balance.  Where there are more, it is the stated errors or the flowsheet
that are wrong, not single readings."""

LEAST_LEFT = 1e-6
"""Share of ``g·M g`` that a hypothesis must keep beside those chosen, to be told from them."""

BETTER = 1e-6
"""Gain in log probability for which a choice is changed; less is rounding."""


@dataclass(frozen=True)
class Given:
    """
    Scores and lengths of all hypotheses with the sizes of some estimated beside them.

    ``shared`` (hypotheses, chosen) are the orthonormal columns taken out, ``taken`` (chosen,) what
    the residuals hold of each; ``apart`` says which hypotheses can still be told from those.
    """

    scores: Floats
    lengths: Floats
    shared: Floats
    taken: Floats
    apart: Bools

    @property
    def statistics(self) -> Floats:
        """Score over its standard deviation, standard normal where nothing else is wrong."""
        length = np.where(self.apart, self.lengths, 1.0)
        return np.where(self.apart, self.scores / np.sqrt(length), 0.0)


@dataclass
class Search:
    """The search for errors in one residual space."""

    space: Space
    prior: Floats
    known: dict[int, Signature] = field(default_factory=dict)

    def signature(self, k: int) -> Signature:
        """Give the signature of a hypothesis, worked out once."""
        if k not in self.known:
            self.known[k] = self.space.signature(k)
        return self.known[k]

    def basis(self, chosen: Sequence[int]) -> Floats:
        """Give an orthonormal basis of what the chosen ones may do to the residuals, (used, k)."""
        if not chosen:
            return np.zeros((len(self.space.residual), 0))
        return np.linalg.qr(np.array([self.signature(k).seen for k in chosen]).T)[0]

    def given(self, chosen: Sequence[int]) -> Given:
        """Give scores and lengths with the sizes of the chosen ones estimated beside."""
        space = self.space
        scores, lengths = space.scores.copy(), space.lengths.copy()
        shared: list[Floats] = []
        taken: list[float] = []
        for k in chosen:
            column = self.signature(k).crosses.copy()
            for other in shared:
                column -= other * other[k]
            if column[k] <= LEAST_LEFT * space.lengths[k]:
                continue
            unit = column / np.sqrt(column[k])
            part = scores[k] / np.sqrt(column[k])
            scores = scores - unit * part
            lengths = lengths - unit**2
            shared.append(unit)
            taken.append(part)
        apart = lengths > LEAST_LEFT * space.lengths
        apart[list(chosen)] = False
        wide = np.array(shared).reshape(-1, len(scores)).T
        return Given(scores, lengths, wide, np.array(taken), apart)

    def weight(self, given: Given) -> Floats:
        """Give the log probability of each hypothesis beside those given, but for a constant."""
        space, lengths = self.space, np.maximum(given.lengths, 0.0)
        ratio = log_ratio(given.scores, lengths, space.spread, space.slip)
        return np.where(given.apart, self.prior + ratio, -np.inf)

    def weight_of(self, k: int, given: Given, fall: float) -> float:
        """Give the log probability of one hypothesis whose likelihood ratio is ``fall``."""
        score = np.sqrt(max(fall, 0.0) * given.lengths[[k]])
        spread, slip = self.space.spread[[k]], self.space.slip[[k]]
        return float(self.prior[k] + log_ratio(score, given.lengths[[k]], spread, slip)[0])

    def most_probable(self, chosen: Sequence[int], least: float) -> int | None:
        """Give the most probable hypothesis whose statistic is at least so large, if any."""
        given = self.given(chosen)
        weight = np.where(np.abs(given.statistics) >= least, self.weight(given), -np.inf)
        if not len(weight) or not np.isfinite(weight.max()):
            return None
        return int(np.argmax(weight))

    def reconsidered(self, chosen: list[int], least: float) -> list[int]:
        """Make each choice again beside the others until none changes."""
        for _ in range(MOST_FOUND):
            changed = False
            for place, k in enumerate(chosen):
                others = chosen[:place] + chosen[place + 1 :]
                weight = self.weight(self.given(others))
                best = self.most_probable(others, least)
                if best is not None and weight[best] > weight[k] + BETTER:
                    chosen = [*chosen[:place], best, *chosen[place + 1 :]]
                    changed = True
            if not changed:
                break
        return chosen

    def beside_the_others(self, chosen: Sequence[int]) -> Floats:
        """Give the statistic of each chosen one beside the others, (chosen,)."""
        return np.array(
            [self.given([o for o in chosen if o != k]).statistics[k] for k in chosen],
            dtype=np.float64,
        )
