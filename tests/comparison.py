"""Compare balances, and check one against the statement of the problem."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import scipy.optimize as so

from reconcile import Reading
from reconcile.balance import Balance, Estimate, Knowledge, Known, Outcome
from tests.peers.statement import Array, Statement

CLOSED = {Outcome.CLOSED, Outcome.CLOSED_WITH_ACTIVE_BOUNDS}

Item = Estimate | Known


def items(balance: Balance, *, of_the_feed: bool = True) -> dict[tuple[str, ...], Item]:
    """Give every quantity of a balance by kind and names; yields and recoveries if wanted."""
    everything: dict[tuple[str, ...], Item] = {("mass", s): e for s, e in balance.masses.items()}
    everything |= {("assay", *key): e for key, e in balance.assays.items()}
    everything |= {("component mass", *key): e for key, e in balance.component_masses.items()}
    everything |= {("split", *key): e for key, e in balance.splits.items()}
    if of_the_feed:
        everything |= {("yield", s): e for s, e in balance.yields.items()}
        everything |= {("recovery", *key): e for key, e in balance.recoveries.items()}
    return everything


def differences(
    first: dict[tuple[str, ...], Item],
    second: dict[tuple[str, ...], Item],
    *,
    relative: float = 1e-7,
    classes: bool = True,
) -> list[str]:
    """
    Say where the second lacks or contradicts what the first says.

    Values may differ by ``relative`` of themselves or of their sd, whichever is larger, sds by
    ten times that.  An sd is the root of a variance, where rounding of 1e-16 shows as 1e-8 of its
    parts: sds below a billionth of the value count as none.
    """
    found = []
    for key, one in first.items():
        two = second[key]
        if classes and one.knowledge != two.knowledge:
            found.append(f"{key}: {one.knowledge} against {two.knowledge}")
        if (one.value is None) != (two.value is None):
            found.append(f"{key}: {one.value} against {two.value}")
        if one.value is None or two.value is None:
            continue
        scale = max(abs(one.value), one.sd or 0.0)
        if abs(one.value - two.value) > relative * scale + 1e-14:
            found.append(f"{key}: {one.value!r} against {two.value!r}")
        if one.sd is None or two.sd is None:
            if one.sd != two.sd:
                found.append(f"{key}: sd {one.sd} against {two.sd}")
        elif abs(one.sd - two.sd) > 10 * relative * one.sd + 1e-9 * abs(one.value) + 1e-14:
            found.append(f"{key}: sd {one.sd!r} against {two.sd!r}")
    return found


def reconciled(balance: Balance, reading: Reading) -> float:
    """
    Give the reconciled value that answers a reading.

    An assay of a stream whose reconciled mass is zero answers with the reading itself: a trace of
    solids may have any assay without moving a balance, so the infimum of the objective is reached
    with that reading met.
    """
    key = reading.stream, reading.of
    estimate = balance.masses[key[0]] if key[1] == "mass" else balance.assays[key]
    if estimate.knowledge is Knowledge.UNDEFINED and balance.masses[key[0]].value == 0.0:
        return reading.value
    if estimate.value is None:
        raise AssertionError(f"{key} was read but has no value")
    return estimate.value


def objective(balance: Balance, readings: Iterable[Reading]) -> float:
    """Give the sum of squared adjustments over their stated sds; fixed readings cost nothing."""
    return math.fsum(
        ((reconciled(balance, r) - r.value) / r.sd) ** 2 for r in readings if 0 < r.sd < math.inf
    )


def shortfall(balance: Balance, statement: Statement) -> float:
    """
    Say how far the known values are from any state that closes within its bounds.

    A linear programme looks for such a state; each known mass, component mass and assay may be
    missed by at most the shortfall, relative to itself (an assay: to the solids concerned).
    Without a known mass the scale is set by a first feed of 1.
    """
    sheet, count, width = statement.flowsheet, statement.streams, statement.quantities
    size = count * width
    equal = [np.kron(row, np.eye(width)[q]) for row in statement.incidence for q in range(width)]
    upper: list[Array] = []
    targets: list[float] = []

    def near(row: Array, target: float, scale: float) -> None:
        for sign in (1.0, -1.0):
            upper.append(np.append(sign * row / scale, -1.0))
            targets.append(sign * target / scale)

    unit = np.eye(size)
    masses = {s: e.value for s, e in balance.masses.items() if e.value is not None}
    scale = max((abs(v) for v in masses.values()), default=1.0) or 1.0
    for s, stream in enumerate(sheet.streams):
        if stream.name in masses:
            near(unit[s * width], masses[stream.name], scale)
        for q, component in enumerate(sheet.components, start=1):
            estimate = balance.assays[stream.name, component]
            upper.append(np.append(unit[s * width + q] - unit[s * width], 0.0))
            targets.append(0.0)
            if estimate.value is not None:
                row = unit[s * width + q] - estimate.value * unit[s * width]
                near(row, 0.0, scale * max(abs(estimate.value), 1e-6))
    scaled = [np.append(row, 0.0) for row in equal]
    goal = [0.0] * len(scaled)
    if not masses:
        feeds = [s for s, stream in enumerate(sheet.streams) if stream.source is None] or [0]
        for s in feeds:
            upper.append(np.append(-unit[s * width], 0.0))
            targets.append(-1.0)
    answer = so.linprog(
        np.append(np.zeros(size), 1.0),
        A_ub=np.array(upper),
        b_ub=np.array(targets),
        A_eq=np.array(scaled),
        b_eq=np.array(goal),
        bounds=[(0, None)] * (size + 1),
    )
    return float(answer.fun) if answer.success else math.inf


def worst_disagreement(balance: Balance, statement: Statement, flows: Array) -> float:
    """
    Give the largest difference of a mass or assay from a peer's flows.

    Relative to the value, to its posterior sd, or to a millionth of the largest solids flow (for
    an assay, of the whole), whichever is largest.
    """
    worst, largest = 0.0, float(np.max(flows[:, 0]))
    for s, stream in enumerate(statement.flowsheet.streams):
        pairs = [(balance.masses[stream.name], flows[s, 0], 1e-6 * largest)]
        for q, component in enumerate(statement.flowsheet.components, start=1):
            if flows[s, 0] > 1e-9 * largest:
                assay = flows[s, q] / flows[s, 0]
                pairs.append((balance.assays[stream.name, component], assay, 1e-6))
        for estimate, other, least in pairs:
            if estimate.value is not None:
                scale = max(abs(estimate.value), abs(other), estimate.sd or 0.0, least)
                worst = max(worst, abs(estimate.value - other) / scale)
    return worst
