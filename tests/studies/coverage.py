"""
How often 95 % intervals cover the truth, and what the objective averages.

Run ``python -m tests.studies.coverage`` from the root: 5,000 draws on each of the two example
circuits, with the figures printed.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from reconcile import Reading, reconcile_balance
from reconcile.balance import Outcome
from tests.flowsheets import Circuit
from tests.peers.general import best_of
from tests.peers.statement import stated
from tests.request_files import flowsheet_of, load, readings_of

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
NORMAL = 1.959963984540054
"""The 97.5 % point of the standard normal distribution."""


def example_circuit(name: str) -> Circuit:
    """Give an example request with its reconciled state, found by a peer, as the truth."""
    request = load(EXAMPLES / f"{name}.json")
    sheet, readings = flowsheet_of(request), readings_of(request)
    statement = stated(sheet, readings)
    rng = np.random.default_rng(0)
    optimum = best_of(statement, [statement.start(rng) for _ in range(4)])
    if not np.isfinite(optimum.kkt):
        raise AssertionError(f"no peer optimum for {name}")
    return Circuit(sheet, optimum.flows, readings)


@dataclass
class Study:
    """
    What came of the draws.

    ``covered`` counts, for every quantity known in all draws, the draws whose interval holds the
    truth; ``bounded`` the draws with an active bound.
    """

    draws: int
    degrees_of_freedom: int = 0
    mean_objective: float = 0.0
    bounded: int = 0
    covered: Counter[tuple[str, ...]] = field(default_factory=Counter)

    @property
    def rates(self) -> list[float]:
        """Coverage of every quantity, lowest first."""
        return sorted(n / self.draws for n in self.covered.values())


def _truths(circuit: Circuit) -> dict[tuple[str, ...], float]:
    sheet, x = circuit.flowsheet, circuit.truth
    feeds = [s for s, stream in enumerate(sheet.streams) if stream.source is None]
    truths: dict[tuple[str, ...], float] = {}
    for s, stream in enumerate(sheet.streams):
        truths["mass", stream.name] = x[s, 0]
        for q, component in enumerate(sheet.components, start=1):
            truths["assay", stream.name, component] = x[s, q] / x[s, 0]
            truths["recovery", stream.name, component] = x[s, q] / x[feeds, q].sum()
    return truths


def _drawn(circuit: Circuit, rng: np.random.Generator) -> list[Reading]:
    index, quantity = circuit.flowsheet.stream_index, circuit.flowsheet.quantity_index
    readings = []
    for r in circuit.readings:
        s, q = index[r.stream], quantity[r.of]
        truth = circuit.truth[s, q] / (circuit.truth[s, 0] if q else 1.0)
        readings.append(replace(r, value=float(truth + r.sd * rng.normal())))
    return readings


def simulate(circuit: Circuit, *, draws: int, seed: int) -> Study:
    """Draw readings around the truth, with the sds as they stand, and count."""
    rng, study, truths = np.random.default_rng(seed), Study(draws), _truths(circuit)
    known = set(truths)
    for _ in range(draws):
        balance = reconcile_balance(circuit.flowsheet, _drawn(circuit, rng))
        if balance.test is None:
            raise AssertionError(balance.failure)
        study.degrees_of_freedom = balance.test.degrees_of_freedom
        study.mean_objective += balance.test.statistic / draws
        study.bounded += balance.outcome is not Outcome.CLOSED
        for key, truth in truths.items():
            estimate = {
                "mass": balance.masses,
                "assay": balance.assays,
                "recovery": balance.recoveries,
            }[key[0]][key[1] if key[0] == "mass" else key[1:]]
            if estimate.value is None or estimate.sd is None or estimate.sd <= 1e-9 * abs(truth):
                known.discard(key)
            elif abs(estimate.value - truth) <= NORMAL * estimate.sd:
                study.covered[key] += 1
    study.covered = Counter({k: study.covered[k] for k in truths if k in known})
    return study


def report(name: str, draws: int) -> str:
    """Say in words what the study of one example found."""
    study = simulate(example_circuit(name), draws=draws, seed=3)
    rates, error = study.rates, (2 * study.degrees_of_freedom / draws) ** 0.5
    return (
        f"{name}: {draws} draws, {study.bounded} with an active bound\n"
        f"  objective {study.mean_objective:.3f} for {study.degrees_of_freedom} degrees of "
        f"freedom (standard error {error:.3f})\n"
        f"  coverage of {len(rates)} intervals at 95 %: mean {100 * np.mean(rates):.2f} %, "
        f"lowest {100 * rates[0]:.2f} %, highest {100 * rates[-1]:.2f} %"
    )


def main() -> None:
    """Print the figures of both examples."""
    for name in ("tin-shed", "rougher-cleaner-scavenger"):
        sys.stdout.write(report(name, 5000) + "\n")


if __name__ == "__main__":
    main()
