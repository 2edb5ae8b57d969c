"""
How well the engine agrees with general-purpose optimisers.

Run ``python -m tests.studies.agreement`` from the root; it prints the largest disagreement.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import scipy.linalg as sl

from reconcile import Flowsheet, Reading, reconcile_balance
from tests.comparison import CLOSED, objective, shortfall, worst_disagreement
from tests.flowsheets import Circuit, Sampling, random_circuit
from tests.peers import convex
from tests.peers.general import Optimum, best_of
from tests.peers.statement import Array, Statement, stated

BOUNDLESS = (150,)
"""Seeds whose objective falls for ever as an unweighed feed and product grow together: there is no
optimum to compare; ``tests/reconcile/test_starts.py`` holds the engine to saying so."""

GENERAL = tuple(seed for seed in range(241) if seed not in BOUNDLESS)
"""240 seeds with an optimum."""

LINEAR, INNER = 40, 40
"""How many seeded flowsheets each judge sees."""

STANDARD = Sampling()
NO_MASSES = Sampling(masses=False)
ROUGH = Sampling(mass_error=(0.05, 0.4), assay_error=(0.05, 0.6))
"""Errors so large that draws fall outside the bounds."""


@dataclass(frozen=True)
class Comparison:
    """
    One flowsheet: the engine's objective, recomputed and as stated, and the judge's.

    ``values`` is the largest relative difference of a mass or assay (``None`` where the judge
    gives an upper bound only), ``shortfall`` the distance of the engine's values from a feasible
    state (only looked for where the engine's objective is the lower one).
    """

    seed: int
    streams: int
    components: int
    ours: float
    stated: float
    theirs: float
    values: float | None
    shortfall: float
    bounds: int

    @property
    def excess(self) -> float:
        """The engine's objective less the judge's, relative above 1."""
        return (self.ours - self.theirs) / max(1.0, self.theirs)


def _compared(
    seed: int, circuit: Circuit, statement: Statement, flows: Array | None, theirs: float
) -> Comparison:
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    if balance.outcome not in CLOSED or balance.test is None:
        raise AssertionError(f"seed {seed}: {balance.outcome}: {balance.failure}")
    ours = objective(balance, circuit.readings)
    lower = ours < theirs - 1e-9 * max(1.0, theirs)
    return Comparison(
        seed,
        len(circuit.flowsheet.streams),
        len(circuit.flowsheet.components),
        ours,
        balance.test.statistic,
        theirs,
        None if flows is None else worst_disagreement(balance, statement, flows),
        shortfall(balance, statement) if lower else 0.0,
        len(balance.active_bounds),
    )


def general_circuit(seed: int) -> Circuit:
    """
    Give the seeded flowsheet of 3 to 40 streams and 1 to 6 components.

    Every sixth is read so roughly that bounds bite, every sixth has no mass reading.
    """
    rng = np.random.default_rng([seed, 7])
    streams = int(np.clip(rng.lognormal(2.3, 0.55), 3, 40))
    components = int(rng.integers(1, 7))
    sampling = {0: ROUGH, 1: NO_MASSES}.get(seed % 6, STANDARD)
    return random_circuit(seed, streams=streams, components=components, sampling=sampling)


def general_optimum(circuit: Circuit, seed: int, starts: int = 2) -> Optimum:
    """Give the best optimum of scipy.optimize from the truth and from random states."""
    statement = stated(circuit.flowsheet, circuit.readings)
    rng = np.random.default_rng([seed, 8])
    return best_of(
        statement,
        [statement.coordinates(circuit.truth), *(statement.start(rng) for _ in range(starts))],
    )


def compare_general(seed: int) -> Comparison:
    """Compare with scipy.optimize."""
    circuit = general_circuit(seed)
    optimum = general_optimum(circuit, seed)
    statement = stated(circuit.flowsheet, circuit.readings)
    flows = optimum.flows if np.isfinite(optimum.kkt) else None
    return _compared(seed, circuit, statement, flows, optimum.objective)


def compare_linear(seed: int) -> Comparison:
    """Compare a network of flows, roughly read, with the quadratic programme."""
    streams = int(np.random.default_rng([seed, 9]).integers(3, 41))
    sampling = ROUGH if seed % 2 else STANDARD
    circuit = random_circuit(seed + 5000, streams=streams, components=0, sampling=sampling)
    statement = stated(circuit.flowsheet, circuit.readings)
    optimum = convex.flows(statement)
    if optimum is None:
        raise AssertionError(f"seed {seed}: the judge could not polish its answer")
    return _compared(seed, circuit, statement, optimum.flows, optimum.objective)


def _chords(flowsheet: Flowsheet) -> list[int]:
    """Give streams whose masses fix all others, none of them determined by the rest."""
    incidence = stated(flowsheet, ()).incidence
    rank = int(np.linalg.matrix_rank(incidence))
    _, _, order = sl.qr(incidence, pivoting=True)
    return [int(s) for s in order[rank:]]


def compare_inner(seed: int) -> Comparison:
    """Compare roughly read components under fixed masses with the quadratic programmes."""
    rng = np.random.default_rng([seed, 10])
    drawn = random_circuit(
        seed + 6000,
        streams=int(rng.integers(3, 25)),
        components=int(rng.integers(1, 4)),
        sampling=ROUGH,
    )
    names = [s.name for s in drawn.flowsheet.streams]
    fixed = [
        Reading(names[s], "mass", float(drawn.truth[s, 0]), 0.0) for s in _chords(drawn.flowsheet)
    ]
    assays = [r for r in drawn.readings if r.of != "mass"]
    circuit = Circuit(drawn.flowsheet, drawn.truth, (*fixed, *assays))
    statement = stated(circuit.flowsheet, assays)
    answer = convex.parts(statement, circuit.truth[:, 0])
    if answer.stationarity > 1e-9 or answer.smallest < -1e-9:
        raise AssertionError(f"seed {seed}: the judge's answer is not optimal: {answer}")
    flows = np.column_stack([circuit.truth[:, 0], answer.masses])
    return _compared(seed, circuit, statement, flows, answer.objective)


def _line(title: str, comparisons: list[Comparison]) -> str:
    same = [c for c in comparisons if abs(c.excess) <= 1e-6 and c.values is not None]
    better = [c for c in comparisons if c.excess < -1e-6]
    worst = max(comparisons, key=lambda c: c.excess)
    apart = max(same, key=lambda c: c.values or 0.0)
    return (
        f"{title}: {len(comparisons)} flowsheets, {sum(c.bounds > 0 for c in comparisons)} with "
        f"active bounds\n"
        f"  same optimum {len(same)}, engine better {len(better)}, of these against an upper bound "
        f"only {sum(c.values is None for c in better)}\n"
        f"  largest excess of the engine's objective {worst.excess:.2e} (seed {worst.seed})\n"
        f"  largest difference of a value at the same optimum {apart.values:.2e} "
        f"(seed {apart.seed}: {apart.streams} streams, {apart.components} components)"
    )


def main() -> None:
    """Print the largest disagreements."""
    general = [compare_general(seed) for seed in GENERAL]
    lines = [
        _line("scipy.optimize, masses and assays", general),
        _line("convex programme, masses", [compare_linear(s) for s in range(LINEAR)]),
        _line("convex programme, components", [compare_inner(s) for s in range(INNER)]),
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
