"""
How probable each explanation is, given that there is one error more and it is one of those tried.

The size of an error is unknown, with a normal distribution of standard deviation τ beforehand.
Integrated over it, the likelihood ratio against no error is, with ``d = g·M g``,

    (1 + τ² d)^(-1/2) exp(T τ² d / (2 (1 + τ² d)))

(Jeffreys 1961; Kass and Raftery 1995).  An error that hardly shows is thus not preferred for
fitting by its mere freedom.  One in ten errors is a slip (a decimal point, a unit, a zero for
nothing read), as large as what was or should have been read or ten times τ, whichever is most:
without that share the prior would rather believe in small wonders elsewhere than in one large slip.
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


SLIPS = 0.1
"""Share of errors, beforehand, that are slips."""

SLIP = 10.0
"""Spread of the size of a slip, at least, in that of any other error."""


def _with_spread(statistic: Floats, seen: Floats) -> Floats:
    return np.asarray(0.5 * statistic * seen / (1 + seen) - 0.5 * np.log1p(seen))


def log_ratio(scores: Floats, lengths: Floats, spread: Floats, slip: Floats) -> Floats:
    """Give the log of the likelihood ratio, integrated over the size of the error."""
    slip = np.maximum(slip, SLIP * spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = np.where(lengths > 0, scores**2 / lengths, 0.0)
    usual, wide = (_with_spread(statistic, tau**2 * lengths) for tau in (spread, slip))
    return np.asarray(np.logaddexp(np.log1p(-SLIPS) + usual, np.log(SLIPS) + wide))


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
