"""
How probable each explanation is, given that there is one error more and it is one of those tried.

The size of an error is unknown, with a normal distribution of standard deviation τ beforehand.
Integrated over it, the likelihood ratio against no error is, with ``d = g·M g``,

    (1 + τ² d)^(-1/2) exp(T τ² d / (2 (1 + τ² d)))

(Jeffreys 1961; Kass and Raftery 1995).  An error that hardly shows is thus not preferred for
fitting by its mere freedom.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.findings import Suspicion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.findings import Hypothesis
    from reconcile.kernel.problem import Floats
    from reconcile.options import Prior

_LEAKS = (Suspicion.LEAK, Suspicion.WATER_LEAK)


def log_ratio(scores: Floats, lengths: Floats, spread: Floats) -> Floats:
    """Give the log of the likelihood ratio, integrated over the size of the error."""
    seen = spread**2 * lengths
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = np.where(lengths > 0, scores**2 / lengths, 0.0)
    return np.asarray(0.5 * statistic * seen / (1 + seen) - 0.5 * np.log1p(seen))


def log_exchange_prior(possible: int, prior: Prior) -> float:
    """Give the log of each exchange's probability beforehand."""
    with np.errstate(divide="ignore"):
        return float(np.log(prior.exchange / max(possible, 1)))


def log_prior(hypotheses: Sequence[Hypothesis], prior: Prior) -> Floats:
    """Give the log of each hypothesis's probability beforehand, even within its kind."""
    leak = np.array([h.suspicion in _LEAKS for h in hypotheses], dtype=bool)
    leaks = max(int(leak.sum()), 1)
    others = max(len(hypotheses) - int(leak.sum()), 1)
    with np.errstate(divide="ignore"):
        of_leak, of_other = np.log(prior.leak / leaks), np.log(prior.reading / others)
    return np.where(leak, float(of_leak), float(of_other))
