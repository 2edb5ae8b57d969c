"""
Many sets of values of one flowsheet at once: thousands of shifts.

Shifts in which the same quantities were read share a plan and go side by side over the compiled
road; one that this road does not handle is solved by itself.  Each has its own outcome, and a bad
one spoils no other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from . import flowsheet as flowsheets
from . import readings as readings_module
from .balance import Outcome
from .descent import Case, case_of, starting_set
from .faults import Fault, InvalidInput
from .flowsheet import Flowsheet
from .kernel import lanes
from .kernel.budget import Budget, OverBudget, spending
from .kernel.limits import BLOCKS, LANES, PLAIN_STEPS, SAME_OBJECTIVE
from .model import keys_of
from .options import Options
from .plan import PLANS
from .readings import Reading
from .solution import Solution, astray
from .solve import further_starts, is_clear, solve
from .start import Contradiction, StartError

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints
    from .plan import Plan

CODES = tuple(Outcome)
"""Outcomes in the order of their codes in a stack."""

ENOUGH = 1_000
"""Shifts, spread over all, that tell well enough where their middle is: only a start depends on
it."""


@dataclass(frozen=True)
class Stack:
    """
    The balances of many shifts.

    ``outcomes`` (shifts,) positions in :data:`CODES`; ``points`` (shifts, streams, quantities), in
    the order of the flowsheet's, a solution each, NaN without a balance; ``known`` of the same
    shape, and ``known_assays`` (shifts, streams, components), what can be known of it;
    ``objective`` (shifts,); ``degrees_of_freedom`` (shifts,); ``iterations`` (shifts,).  For
    standard deviations balance a shift by itself.
    """

    flowsheet: Flowsheet
    outcomes: Ints
    points: Floats
    known: Bools
    known_assays: Bools
    objective: Floats
    degrees_of_freedom: Ints
    iterations: Ints

    @property
    def closed(self) -> Bools:
        """Shifts that have a balance, (shifts,)."""
        return np.asarray(self.outcomes <= CODES.index(Outcome.CLOSED_WITH_ACTIVE_BOUNDS))

    @property
    def amounts(self) -> Floats:
        """Every quantity, (shifts, streams, quantities); NaN where it cannot be known."""
        return np.where(self.known, self.points, np.nan)

    @property
    def masses(self) -> Floats:
        """Dry solids, (shifts, streams); NaN where they cannot be known."""
        return np.asarray(self.amounts[:, :, 0])

    @property
    def assays(self) -> Floats:
        """Components over solids, (shifts, streams, components); NaN where they cannot be known."""
        parts = self.points[:, :, 1 : 1 + len(self.flowsheet.components)]
        solids = self.points[:, :, :1]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.known_assays & (solids > 0), parts / solids, np.nan)

    @property
    def p_values(self) -> Floats:
        """Chi-square probability of so large an objective, NaN without a check, (shifts,)."""
        checked = self.closed & (self.degrees_of_freedom > 0)
        return np.where(
            checked, chi2.sf(self.objective, np.maximum(self.degrees_of_freedom, 1)), np.nan
        )


def _faults(
    flowsheet: Flowsheet, readings: Sequence[Reading], values: Floats, sds: Floats
) -> list[Fault]:
    faults = flowsheets.faults_of(flowsheet)
    if faults:
        return [fault.under("flowsheet") for fault in faults]
    faults = readings_module.faults_of(flowsheet, readings)
    if values.ndim != 2 or values.shape[1] != len(readings) or sds.shape != values.shape:  # noqa: PLR2004 - shifts by readings
        faults.append(
            Fault(
                ("values",),
                "shape-does-not-fit",
                f"The values have shape {values.shape}, their sds {sds.shape}.",
                f"Give one row for each shift and one column for each of the {len(readings)} "
                "readings in both; NaN where nothing was read.",
            )
        )
    elif np.isinf(values).any() or (~(sds >= 0) & ~np.isnan(values)).any():
        faults.append(
            Fault(
                ("values",),
                "not-finite",
                "A value is infinite, or the standard deviation of a value is missing or negative.",
                "Give finite values with standard deviations of zero or more; NaN where nothing "
                "was read.",
            )
        )
    return faults


def _best(state: Ints, objective: Floats, than: Floats) -> Bools:
    """Say of each lane whether it converged to something better, (lanes,)."""
    fair = np.where(np.isfinite(than), than - SAME_OBJECTIVE * (1 + np.abs(than)), np.inf)
    return np.asarray((state == lanes.CONVERGED) & (objective < fair))


@dataclass
class _Together:
    """Shifts with one pattern of readings, and what has been found for them."""

    case: Case
    values: Floats
    sds: Floats
    x: Floats
    objective: Floats
    steps: Ints
    bounded: Bools
    left: Bools
    doubtful: Bools

    def run(self, at: Floats, chosen: Ints, *, passes: bool) -> None:
        """Go down from one start for the chosen shifts; keep what is better than what there was."""
        case, plan = self.case, self.case.plan
        assert plan.layout is not None  # noqa: S101 - only called where there is one
        closed = plan.model.absent
        middle = (case.values[: len(plan.keys)], case.sds[: len(plan.keys)])
        abreast = plan.layout.lanes(len(chosen))
        layout = plan.layout.abreast(abreast)
        wide, spread = (np.repeat(row[None], abreast, axis=0) for row in middle)
        given, start = case.side_by_side(wide, spread, at, closed)
        for begin in range(0, len(chosen), BLOCKS * abreast):
            case.budget.check()
            part = chosen[begin : begin + BLOCKS * abreast]
            y, sd = self._padded(part, abreast)
            before, spread = case.before
            x = np.empty((len(y) // abreast, plan.model.size, abreast))
            state, steps, objective, bounded, emptied = lanes.descend_all(
                layout,
                _in_blocks(np.nan_to_num(y), before, abreast),
                _in_blocks(np.where(np.isnan(y), np.inf, sd), spread, abreast),
                given,
                np.ascontiguousarray(start[:, 0]),
                passes,
                x,
            )
            points = x.transpose(0, 2, 1).reshape(-1, plan.model.size)
            far = np.asarray(astray(plan, points, case.first.throughput).any(axis=1))
            sound = ~emptied.ravel() & ~far & case.close(points.T)
            objective = objective.ravel()[: len(part)]
            better = _best(state.ravel()[: len(part)], objective, self.objective[part])
            # A start that led nowhere here, or away to something better, might lead elsewhere on
            # the general road, or show that there is no optimum.
            nowhere = state.ravel()[: len(part)] != lanes.CONVERGED
            self.doubtful[part[(better & far[: len(part)]) | nowhere]] = True
            mine = np.flatnonzero(better & sound[: len(part)])
            self.x[part[mine]] = points[mine]
            self.objective[part[mine]] = objective[mine]
            self.steps[part[mine]] = steps.ravel()[mine]
            self.bounded[part[mine]] = bounded.ravel()[mine]
            self.left[part[mine]] = False

    def _padded(self, chosen: Ints, abreast: int) -> tuple[Floats, Floats]:
        """Give values and sds of the chosen shifts, some of them again to fill the lanes."""
        full = np.resize(chosen, -(-len(chosen) // abreast) * abreast)
        return self.values[full], self.sds[full]


def _in_blocks(shifts: Floats, common: Floats, abreast: int) -> Floats:
    """Give (shifts, readings) as (blocks, readings and what all share, lanes)."""
    whole = np.hstack((shifts, np.broadcast_to(common, (len(shifts), len(common)))))
    blocks = whole.reshape(-1, abreast, whole.shape[1])
    return np.ascontiguousarray(blocks.transpose(0, 2, 1))


def _together(
    plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget
) -> _Together:
    """Solve shifts that share a plan; what is left is marked."""
    middle = _middle(values), _middle(sds)
    case = case_of(plan, *middle, options, budget)
    found = _nothing_yet(case, values, sds)
    if not _side_by_side(case):
        return found
    found.run(_start(case, middle, len(values)), np.arange(len(values)), passes=True)
    clear = is_clear(plan, found.objective) & ~np.isnan(values).any(axis=1)
    slow = found.steps > PLAIN_STEPS
    doubt = np.flatnonzero(found.left | slow | (found.bounded & ~clear) | (len(plan.gauges) > 0))
    for at, passes in further_starts(case) if len(doubt) else ():
        found.run(at, doubt, passes=passes)
    found.left |= found.doubtful
    return found


def _start(case: Case, middle: tuple[Floats, Floats], shifts: int) -> Floats:
    """
    Give where so many shifts start from: the optimum of their middle, if it is worth it, (n,).

    From nearer by, one linear pass is enough where two were needed from a first guess.  Where not
    all is determined, what is not would keep the value of the middle.
    """
    plan = case.plan
    if shifts <= LANES or len(plan.gauges) or plan.open_pins.any():
        return case.first.point
    found = _nothing_yet(case, middle[0][None], middle[1][None])
    found.run(case.first.point, np.arange(1), passes=True)
    sound = not (found.left[0] or found.bounded[0] or found.doubtful[0])
    return found.x[0] if sound else case.first.point


def _side_by_side(case: Case) -> bool:
    """Say whether the compiled road is open."""
    return case.plan.layout is not None and np.array_equal(
        starting_set(case), case.plan.model.absent
    )


def _nothing_yet(case: Case, values: Floats, sds: Floats) -> _Together:
    plan, count = case.plan, len(values)
    return _Together(
        case,
        values,
        sds,
        np.full((count, plan.model.size), np.nan),
        np.full(count, np.inf),
        np.zeros(count, dtype=np.int64),
        np.zeros(count, dtype=bool),
        np.ones(count, dtype=bool),
        np.zeros(count, dtype=bool),
    )


def objectives(plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget) -> Floats:
    """
    Give the objectives of sets of values (sets, readings) of one plan, (sets,).

    NaN for a set that the compiled road does not settle: it is not tried on any other.
    """
    found = _together(plan, values, sds, options, budget)
    return np.where(found.left, np.nan, found.objective)


def objectives_without(
    plan: Plan, values: Floats, sds: Floats, readings: Ints, options: Options, budget: Budget
) -> Floats:
    """
    Give the objectives of one set of values without each of some ``readings`` in turn, (k,).

    Each goes down from a start of its own that never saw the reading.  NaN for what the compiled
    road does not settle from there.
    """
    result = np.full(len(readings), np.nan)
    for place, k in enumerate(readings.tolist()):
        gap = np.where(np.arange(len(values)) == k, np.nan, values)
        try:
            case = case_of(plan, gap, sds, options, budget)
            found = _nothing_yet(case, gap[None], sds[None])
            if not _side_by_side(case):
                return result
            found.run(case.first.point, np.arange(1), passes=True)
        except (StartError, np.linalg.LinAlgError):
            continue
        if not found.left[0] and not found.doubtful[0]:
            result[place] = found.objective[0]
    return result


def _alone(
    plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget
) -> tuple[Outcome, Solution | None]:
    """Solve one shift on the general road."""
    try:
        solution = solve(plan, values, sds, options, budget)
    except Contradiction:
        return Outcome.CONTRADICTORY, None
    except (StartError, np.linalg.LinAlgError):
        return Outcome.NOT_CONVERGED, None
    if len(solution.boundless) or not solution.optimum.converged:
        return Outcome.NOT_CONVERGED, None
    bounds = solution.optimum.binding
    held = bounds.lower.any() or bounds.within.any() or solution.emptied.any()
    return (Outcome.CLOSED_WITH_ACTIVE_BOUNDS if held else Outcome.CLOSED), solution


def reconcile_stack(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    values: Floats,
    sds: Floats | None = None,
    options: Options | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Stack:
    """
    Reconcile many shifts of one flowsheet.

    ``readings`` say what is read, with the sds that hold where ``sds`` gives none; their values are
    not used.  ``values`` and ``sds`` are (shifts, readings), NaN where nothing was read in a shift.
    ``progress`` is told how many shifts are done, of how many.  The time budget is that of the
    whole stack; shifts not reached are over budget.

    Raises
    ------
    InvalidInput
        with every fault found.
    """
    options = options or Options()
    values = np.asarray(values, dtype=np.float64)
    spread = _spread(readings, values, sds)
    faults = _faults(flowsheet, readings, values, spread)
    if faults:
        raise InvalidInput(faults)
    result = _empty(flowsheet, len(values))
    values = np.where(np.isfinite(spread), values, np.nan)
    spread = np.where(np.isnan(values), np.nan, spread)
    budget = Budget(options.time_budget_s, options.memory_budget_mb)
    done = 0
    with spending(budget), np.errstate(all="ignore"), suppress(OverBudget):
        for rows, read in _groups(flowsheet, readings, values, spread):
            _group(result, readings, rows, read, values, spread, options, budget)
            done += len(rows)
            if progress is not None:
                progress(done, len(values))
    return result


def _patterns(counted: Bools) -> Iterator[Ints]:
    """Give the shifts that go with each pattern of (shifts, anything)."""
    code = np.packbits(counted, axis=1)
    # Most are like the first that lacks nothing.
    fullest = int(np.argmax(counted.sum(axis=1)))
    same = (code == code[fullest]).all(axis=1)
    yield np.flatnonzero(same)
    found: dict[bytes, list[int]] = {}
    others = np.flatnonzero(~same)
    for shift, name in zip(others.tolist(), map(bytes, code[others]), strict=True):
        found.setdefault(name, []).append(shift)
    yield from map(np.array, found.values())


def _middle(values: Floats) -> Floats:
    """Give the median of each column of (shifts, readings), of those that are there."""
    ranked = np.sort(values[:: -(-len(values) // ENOUGH)].T, axis=1)
    last = np.count_nonzero(~np.isnan(ranked), axis=1) - 1
    if (last < 0).any() and len(values) > ENOUGH:
        return np.asarray(np.nanmedian(values, axis=0))
    row = np.arange(len(ranked))
    return np.asarray(0.5 * (ranked[row, last // 2] + ranked[row, (last + 1) // 2]))


def _groups(
    flowsheet: Flowsheet, readings: Sequence[Reading], values: Floats, sds: Floats
) -> Iterator[tuple[Ints, Ints]]:
    """
    Give the shifts that go side by side, each group with the readings of its plan.

    Shifts with gaps go with those that have none as long as what is missing leaves all else as
    determined as it is; they share the plan then, the classes and the factor's pattern.
    """
    counted = ~np.isnan(values)
    fixed = sds == 0
    waiting = []
    every = np.flatnonzero(counted.any(axis=0))
    plain = not fixed.any()
    plan = _plan(flowsheet, readings, every, fixed[0]) if plain and len(every) else None
    shared = plan is not None and plan.layout is not None and plan.model.is_small
    together = []
    for rows in _patterns(np.concatenate((counted, counted & fixed), axis=1)):
        missing = np.flatnonzero(~counted[rows[0], every])
        if plan is not None and (not len(missing) or (shared and plan.dispensable(missing))):
            together.append(rows)
        else:
            waiting.append(rows)
    if together:
        yield np.concatenate(together), every
    for rows in waiting:
        yield rows, np.flatnonzero(counted[rows[0]])


def _plan(flowsheet: Flowsheet, readings: Sequence[Reading], read: Ints, fixed: Bools) -> Plan:
    chosen = [readings[k] for k in read]
    return PLANS.of(
        flowsheet,
        keys_of(flowsheet, chosen),
        [r.loss for r in chosen],
        [bool(fixed[k]) for k in read],
    )


def _spread(readings: Sequence[Reading], values: Floats, sds: Floats | None) -> Floats:
    """Give the sds shift by shift: those given, or the readings' own."""
    if sds is not None:
        return np.asarray(sds, dtype=np.float64)
    stated = np.array([reading.sd for reading in readings], dtype=np.float64)
    fits = values.ndim == 2 and values.shape[1] == len(stated)  # noqa: PLR2004 - shifts by readings
    return np.broadcast_to(stated, values.shape) if fits else stated


def _empty(flowsheet: Flowsheet, shifts: int) -> Stack:
    shape = (shifts, len(flowsheet.streams), len(flowsheet.quantities))
    return Stack(
        flowsheet,
        np.full(shifts, CODES.index(Outcome.OVER_BUDGET)),
        np.full(shape, np.nan),
        np.zeros(shape, dtype=bool),
        np.zeros((*shape[:2], len(flowsheet.components)), dtype=bool),
        np.full(shifts, np.nan),
        np.zeros(shifts, dtype=np.int64),
        np.zeros(shifts, dtype=np.int64),
    )


def _noted(into: Stack, rows: Ints, plan: Plan, found: _Together) -> Bools:
    """Note what was solved side by side; give what is left, (rows,)."""
    amounts = found.x[:, : plan.model.amounts].reshape(len(rows), *into.points.shape[1:])
    good = ~found.left
    into.points[rows[good]] = amounts[good]
    into.known[rows[good]], into.known_assays[rows[good]] = plan.known
    missing = np.isnan(found.values).sum(axis=1)
    into.objective[rows[good]] = found.objective[good]
    into.iterations[rows[good]] = found.steps[good]
    into.degrees_of_freedom[rows[good]] = plan.degrees_of_freedom - missing[good]
    into.outcomes[rows[good]] = np.where(
        found.bounded[good],
        CODES.index(Outcome.CLOSED_WITH_ACTIVE_BOUNDS),
        CODES.index(Outcome.CLOSED),
    )
    return found.left


def _group(
    into: Stack,
    readings: Sequence[Reading],
    rows: Ints,
    read: Ints,
    values: Floats,
    sds: Floats,
    options: Options,
    budget: Budget,
) -> None:
    """Solve the shifts ``rows`` in which the readings ``read`` were taken, and note the results."""
    if not len(read):
        into.outcomes[rows] = CODES.index(Outcome.NOT_CONVERGED)
        return
    plan = _plan(into.flowsheet, readings, read, sds[rows[0]] == 0)
    y, s = values[np.ix_(rows, read)], sds[np.ix_(rows, read)]
    left = np.ones(len(rows), dtype=bool)
    # Where the middle of the shifts gives no start, each may still have one of its own.
    with suppress(np.linalg.LinAlgError):
        left = _noted(into, rows, plan, _together(plan, y, s, options, budget))
    for k in np.flatnonzero(left):
        budget.check()
        there = np.flatnonzero(~np.isnan(y[k]))
        own = plan
        if len(there) < len(read):
            own = _plan(into.flowsheet, readings, read[there], sds[rows[k]] == 0)
        outcome, solution = _alone(own, y[k, there], s[k, there], options, budget)
        row = rows[k]
        into.outcomes[row] = CODES.index(outcome)
        if solution is not None:
            into.points[row] = own.model.by_stream(solution.x)
            into.known[row], into.known_assays[row] = own.known
            into.objective[row] = solution.optimum.objective
            into.iterations[row] = solution.optimum.iterations
            into.degrees_of_freedom[row] = own.degrees_with(solution.closed)
