"""
How often 95 % intervals cover the truth with water, sizes, minerals and shared errors.

Run ``python -m tests.studies.coverage_general [DRAWS]`` from the root (2,000 without a number); the
figures are printed.  Every draw takes the readings anew, with their own and their shared errors,
and what is known beforehand of the minerals' contents.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import scipy.stats as ss

from reconcile import Content, Outcome, reconcile_balance
from reconcile.measurands import measurand
from tests.comparison_general import paired, stated, unknowns
from tests.surveys import Survey, survey

DRAWS = 2000
"""How many draws the study makes of each circuit."""

NORMAL = float(ss.norm.ppf(0.975))

SHARPER = 0.2
"""Share of the stated errors that is drawn and stated here: the intervals are those of a
linearisation, which small errors suit."""

CIRCUITS: dict[str, tuple[int, frozenset[str]]] = {
    "water": (2013, frozenset({"water"})),
    "sizes": (2008, frozenset({"sizes"})),
    "minerals of uncertain composition": (2002, frozenset({"minerals"})),
    "shared errors": (2014, frozenset({"causes"})),
    "stocks over two shifts": (2008, frozenset({"shifts", "water"})),
    "all together": (
        2008,
        frozenset({"water", "sizes", "minerals", "causes", "composites", "sums"}),
    ),
}
"""Seed and features of each circuit; seeds whose truth is so far from every bound that no draw
reaches one, with six degrees of freedom or more."""


def circuit(name: str) -> Survey:
    """Give one of the circuits, with all its errors made smaller."""
    seed, features = CIRCUITS[name]
    streams = 4 if "shifts" in features else 7
    return sharpened(survey(seed, features=features, streams=streams), SHARPER)


def sharpened(case: Survey, factor: float) -> Survey:
    """Give the survey with every error and its stated size times ``factor``."""
    readings = tuple(
        replace(r, sd=factor * r.sd, causes=tuple((name, factor * size) for name, size in r.causes))
        for r in case.readings
    )
    contents = {
        mineral: {a: Content(c.value, factor * c.sd) for a, c in known.items()}
        for mineral, known in case.flowsheet.contents.items()
    }
    return replace(case, readings=readings, flowsheet=replace(case.flowsheet, contents=contents))


def drawn(case: Survey, rng: np.random.Generator) -> Survey:
    """Take all readings of the truth anew, and what is known of the contents."""
    whole = stated(case)
    causes = {name: float(rng.normal()) for name in case.truth.causes}
    truth = replace(case.truth, causes=causes)
    x = unknowns(whole, truth)
    readings = []
    for r in case.readings:
        value = float(whole.measured(x, r.streams, measurand(case.flowsheet, r.of)))
        value += sum(size * causes[name] for name, size in r.causes)
        readings.append(replace(r, value=value + r.sd * float(rng.normal())))
    contents = {
        m: {
            a: Content(truth.contents[m, a] + c.sd * float(rng.normal()), c.sd)
            for a, c in known.items()
        }
        for m, known in case.flowsheet.contents.items()
    }
    sheet = replace(case.flowsheet, contents=contents)
    return replace(case, flowsheet=sheet, truth=truth, readings=tuple(readings))


@dataclass
class Study:
    """
    What came of the draws.

    ``covered`` counts, for every value known in all draws, the draws whose interval holds the
    truth; ``bounded`` the draws with an active bound.
    """

    draws: int
    degrees_of_freedom: int = 0
    mean_objective: float = 0.0
    bounded: int = 0
    covered: Counter[str] = field(default_factory=Counter)

    @property
    def rates(self) -> list[float]:
        """Coverage of every value, lowest first."""
        return sorted(n / self.draws for n in self.covered.values())

    @property
    def outside(self) -> dict[str, int]:
        """
        Give the values whose coverage lies outside the band of all of them together.

        Binomial at 95 %, one chance in a hundred over all values (Bonferroni).
        """
        tail = 0.01 / (2 * len(self.covered))
        low, high = ss.binom.ppf([tail, 1 - tail], self.draws, 0.95)
        return {k: n for k, n in self.covered.items() if not low <= n <= high}

    @property
    def off(self) -> float:
        """How far the mean objective is from the degrees of freedom, in standard errors."""
        error = (2 * self.degrees_of_freedom / self.draws) ** 0.5
        return (self.mean_objective - self.degrees_of_freedom) / error


def simulate(case: Survey, *, draws: int, seed: int) -> Study:
    """Draw readings around the truth and count."""
    rng, study = np.random.default_rng(seed), Study(draws)
    seen: Counter[str] = Counter()
    for _ in range(draws):
        one = drawn(case, rng)
        balance = reconcile_balance(one.flowsheet, one.readings)
        if balance.test is None:
            raise AssertionError(balance.failure)
        study.degrees_of_freedom = balance.test.degrees_of_freedom
        study.mean_objective += balance.test.statistic / draws
        study.bounded += balance.outcome is not Outcome.CLOSED
        whole = stated(one)
        for kind, where, known, truth in paired(whole, one, balance, unknowns(whole, one.truth)):
            if known is None or known.value is None or not known.sd:
                continue
            if known.sd > 1e-9 * abs(truth):
                key = f"{kind} {where}"
                seen[key] += 1
                study.covered[key] += abs(known.value - truth) <= NORMAL * known.sd
    study.covered = Counter({k: study.covered[k] for k in seen if seen[k] == draws})
    return study


def report(name: str, draws: int) -> Iterator[str]:
    """Say in words what the study of one circuit found."""
    study = simulate(circuit(name), draws=draws, seed=5)
    rates = study.rates
    yield f"{name}: {draws} draws, {study.bounded} with an active bound"
    yield (
        f"  objective {study.mean_objective:.3f} for {study.degrees_of_freedom} degrees of freedom "
        f"({study.off:+.2f} standard errors)"
    )
    yield (
        f"  coverage of {len(rates)} intervals at 95 %: mean {100 * float(np.mean(rates)):.2f} %, "
        f"lowest {100 * rates[0]:.2f} %, highest {100 * rates[-1]:.2f} %; "
        f"outside the band: {study.outside or 'none'}"
    )


def main() -> None:
    """Print the figures of all circuits."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else DRAWS
    for name in CIRCUITS:
        for line in report(name, draws):
            sys.stdout.write(line + "\n")


if __name__ == "__main__":
    main()
