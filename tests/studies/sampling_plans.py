"""
How long sampling plans take, how near they come to the best, and how true their forecasts are.

Run ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.sampling_plans`` from the root.  For each
network and budget: the time of the whole plan, the method, and the gap to the bound.  Then the
readings of the largest plan are drawn around what they are expected to read, anew each time, and
balanced with the rest: what the sds then are over what was forecast.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from reconcile import SOLIDS, Flowsheet, Reading, reconcile_balance
from reconcile.evidence.sampling import (
    Detection,
    Kind,
    Prospect,
    Question,
    SamplingPlan,
    Target,
    usual_prospects,
)
from reconcile.sampling import sampling_plan
from tests.flowsheets import random_circuit
from tests.request_files import flowsheet_of, load, readings_of

BUDGETS = (3.0, 10.0, 30.0)
DRAWS = 20
ROOT = Path(__file__).parents[2]
REQUESTS = (
    "tests/outside/bypass-network-four-measured/request.json",
    "openapi/examples/tin-shed.json",
    "openapi/examples/rougher-cleaner-scavenger.json",
)
RANDOM = ((30, 3, 11), (60, 3, 12), (100, 2, 13))
"""Streams, components and seed of the circuits drawn."""


@dataclass(frozen=True)
class Case:
    """A network, its readings, and what is to be known better."""

    name: str
    flowsheet: Flowsheet
    readings: tuple[Reading, ...]

    @property
    def targets(self) -> tuple[Target, ...]:
        """The recoveries to the first product, or its mass."""
        product = (self.flowsheet.products[0].name,)
        components = self.flowsheet.components[:2]
        recoveries = tuple(Target(product, c, of_feed=True) for c in components)
        return recoveries or (Target(product, SOLIDS),)


def cases() -> Iterator[Case]:
    """Give the networks."""
    for path in REQUESTS:
        request = load(ROOT / path)
        yield Case(
            Path(path).parent.name + "/" + Path(path).stem,
            flowsheet_of(request),
            readings_of(request),
        )
    for streams, components, seed in RANDOM:
        drawn = random_circuit(seed, streams=streams, components=components)
        yield Case(f"{streams} streams, {components} components", drawn.flowsheet, drawn.readings)


def taken(
    case: Case, prospects: Sequence[Prospect], plan: SamplingPlan, rng: np.random.Generator
) -> list[Reading]:
    """Take the readings of a plan: each reads what was expected, give or take its sd."""
    worths = {worth.prospect: worth for worth in plan.worths}
    result = list(case.readings)
    for step in plan.steps:
        prospect, worth = prospects[step.prospect], worths[step.prospect]
        drawn = worth.expected + worth.sd * float(rng.normal())
        if prospect.reading is None:
            word = SOLIDS if prospect.of.is_amount else prospect.of.name
            result.append(Reading(prospect.streams[0], word, drawn, worth.sd))
            continue
        known = result[prospect.reading]
        extra = 1 / worth.sd**2
        if prospect.kind is Kind.IMPROVEMENT:
            extra -= 1 / case.readings[prospect.reading].sd ** 2
        whole = extra + 1 / known.sd**2
        mean = (extra * drawn + known.value / known.sd**2) / whole
        result[prospect.reading] = replace(known, value=mean, sd=1 / math.sqrt(whole))
    return result


def ratios(case: Case, prospects: Sequence[Prospect], plan: SamplingPlan) -> list[float]:
    """Give the sds of the balances with the readings taken, over those forecast."""
    rng, found = np.random.default_rng(2026), []
    product = case.flowsheet.products[0].name
    for _ in range(DRAWS):
        balance = reconcile_balance(case.flowsheet, taken(case, prospects, plan, rng))
        for target, promise in zip(case.targets, plan.promises, strict=True):
            known = balance.recoveries.get((product, str(target.of))) if target.of_feed else None
            sd = balance.masses[product].sd if known is None else known.sd
            if sd is not None and promise.after:
                found.append(sd / promise.after)
    return found


def _line(case: Case, prospects: tuple[Prospect, ...], budget: float) -> tuple[str, SamplingPlan]:
    started = time.perf_counter()
    question = Question(prospects, budget, case.targets)
    plan = sampling_plan(case.flowsheet, case.readings, question)
    seconds = time.perf_counter() - started
    gap = 100 * (plan.after.index / plan.bound - 1) if plan.bound else float("nan")
    index = f"index {plan.after.index:.4f}  gap {gap:5.2f} %"
    return f"{budget:6.0f} {seconds:7.2f} s  {index}  {plan.method}", plan


def main() -> None:
    """Print the study."""
    out = sys.stdout.write
    for case in cases():
        prospects = usual_prospects(case.flowsheet, case.readings)
        out(f"{case.name}: {len(case.readings)} readings, {len(prospects)} candidates\n")
        for budget in BUDGETS:
            line, plan = _line(case, prospects, budget)
            out(f"  {line}\n")
        seen = ratios(case, prospects, plan)
        out(
            f"  sd with the readings taken over that forecast: median {np.median(seen):.4f}, "
            f"from {min(seen):.4f} to {max(seen):.4f} over {len(seen)}\n"
        )
        detection = Detection(tuple(range(len(case.readings))))
        started = time.perf_counter()
        plan = sampling_plan(
            case.flowsheet, case.readings, Question(prospects, 10.0, detection=detection)
        )
        out(
            f"  power, budget 10: {time.perf_counter() - started:7.2f} s  least "
            f"{1 - plan.before.index:.4f} to {1 - plan.after.index:.4f}, bound "
            f"{1 - (plan.bound or 0):.4f}  {plan.method}\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
