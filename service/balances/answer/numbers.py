"""How large the numbers of a balance are, told in one glance: whether all of them are numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import chain

from reconcile import Balance, Estimate, Known
from reconcile.balance import Read
from reconcile.findings import Evidence, HypothesisTest
from reconcile.metallurgy.question import Answer


def largest_of(balance: Balance, beyond: Answer) -> float:
    """
    Give a bound of the size of every number that the engine gave; none where one is none.

    It is infinite where the balance holds more than the usual, at which a glance is not enough.
    """
    evidence = balance.evidence
    unusual = (
        balance.contents,
        balance.shared,
        balance.alternative,
        beyond.performances,
        beyond.activities,
        evidence is not None and (evidence.findings or evidence.decisions),
    )
    if any(unusual):
        return math.inf
    return sum(_of_balance(balance)) + (0.0 if evidence is None else sum(_of_tests(evidence)))


def _of_balance(balance: Balance) -> Iterator[float]:
    """Give a bound for each part of a balance; what cannot be known has no size."""
    size = math.hypot
    estimates: Iterable[Estimate | Read] = chain(
        balance.masses.values(), balance.assays.values(), balance.readings
    )
    for it in estimates:
        yield size(it.value or 0.0, it.sd or 0.0, it.adjustment or 0.0, it.standardised or 0.0)
    followed: Iterable[Known] = chain(
        balance.component_masses.values(),
        balance.yields.values(),
        balance.recoveries.values(),
        balance.splits.values(),
        balance.amounts.values(),
        balance.moistures.values(),
        balance.fractions.values(),
        balance.class_assays.values(),
        balance.analytes.values(),
    )
    for known in followed:
        yield size(known.value or 0.0, known.sd or 0.0)
    for read in balance.readings:
        yield abs(read.weight)
    for worst in balance.closure:
        yield size(worst.imbalance, worst.throughput, worst.relative)
    test = balance.test
    if test is not None:
        yield size(test.statistic, test.p_value or 0.0)
    yield abs(balance.kkt_residual)


def _of_tests(evidence: Evidence) -> Iterator[float]:
    """Give a bound for each test that was made."""
    size = math.hypot
    yield abs(evidence.critical or 0.0)
    families = (
        evidence.readings,
        evidence.shared,
        evidence.leaks,
        evidence.exchanges,
        evidence.nodes,
        evidence.groups,
    )
    for family in families:
        if family is None:
            continue
        yield abs(family.alone)
        for test in family.tests:
            much = test.size if isinstance(test, HypothesisTest) else test.imbalance
            yield size(much or 0.0, test.sd or 0.0, test.statistic, test.p_value, test.adjusted)
