"""
Many shifts of one flowsheet: which instrument is off, since when, and which stated sd is wrong.

Every shift is balanced by itself; what the balances leave over is looked at together
(:mod:`reconcile.evidence.drift`).  Shifts are taken as independent of each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from . import flowsheet as flowsheets
from . import readings as readings_module
from .balance import Failure, Outcome
from .engine import reconcile_balance
from .evidence.drift.found import Findings, findings
from .evidence.drift.residuals import Instruments, Residuals
from .evidence.drift.search import Design
from .evidence.drift.shift import Remainders, Rest
from .evidence.drift.variances import Components, components
from .faults import Fault, InvalidInput
from .flowsheet import Flowsheet
from .kernel.budget import Budget, OverBudget, spending
from .measurands import Measurand, measurand
from .model import Key
from .options import Options
from .plan import PLANS
from .readings import Reading
from .solve import solve
from .stack import CODES, Stack, reconcile_stack
from .start import Contradiction, StartError

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints
    from .plan import Plan

Subject = tuple[tuple[str, ...], Measurand]
"""What a reading is of: streams whose amounts are added, and the measurand."""

FEWEST_SHIFTS = 10
"""Shifts from which a series says anything: the sd of a spread is then known to a quarter."""

MEGABYTE = 1e6 / 8
"""Numbers of double precision in a megabyte."""


@dataclass(frozen=True)
class LeftOut:
    """A shift that has no balance, and why."""

    shift: int
    outcome: Outcome
    failure: Failure


@dataclass(frozen=True)
class Drift:
    """
    What a series of shifts shows.

    ``subjects`` are what was read, in any shift; ``instruments`` say which of them belong
    together, and ``findings`` are in terms of these and of ``kept``, the positions of the shifts
    that have a balance; ``left_out`` are the others.  ``values`` and ``sds`` (kept, subjects) as
    read, shared errors aside, NaN where not read; ``statistics`` and ``degrees`` (kept,) are those
    of each shift's global test; ``bounded`` counts shifts with an active bound.  ``residuals`` are
    what the evidence rests on; ``findings`` is ``None`` for fewer than :data:`FEWEST_SHIFTS`;
    ``pooled`` are the variance ratios of the pools, in their order, all others as stated.
    """

    subjects: tuple[Subject, ...]
    instruments: Instruments
    kept: tuple[int, ...]
    left_out: tuple[LeftOut, ...]
    values: Floats
    sds: Floats
    statistics: Floats
    degrees: Ints
    bounded: int
    residuals: Residuals
    findings: Findings | None
    pooled: Components | None


@dataclass
class _Series:
    """The shifts laid out, and what has been found for them."""

    flowsheet: Flowsheet
    shifts: Sequence[Sequence[Reading]]
    options: Options
    budget: Budget
    subjects: dict[Subject, int] = field(default_factory=dict)
    rests: dict[int, tuple[Ints, Rest]] = field(default_factory=dict)
    left_out: list[LeftOut] = field(default_factory=list)
    bounded: int = 0

    def places(self, shift: int) -> Ints:
        """Give the columns of a shift's counted readings."""
        readings = self.counted(shift)
        return np.array([self.subjects[subject_of(self.flowsheet, r)] for r in readings])

    def counted(self, shift: int) -> list[Reading]:
        """Give the readings of a shift that count for anything."""
        return [r for r in self.shifts[shift] if math.isfinite(r.sd)]


def subject_of(flowsheet: Flowsheet, reading: Reading) -> Subject:
    """Give what a reading is of."""
    return reading.streams, measurand(flowsheet, reading.of)


def _faults(flowsheet: Flowsheet, shifts: Sequence[Sequence[Reading]]) -> list[Fault]:
    found = [fault.under("flowsheet") for fault in flowsheets.faults_of(flowsheet)]
    if found:
        return found
    for k, readings in enumerate(shifts):
        # A shift in which nothing was read is left out, no more.
        for fault in readings_module.faults_of(flowsheet, readings) if readings else ():
            place = ("shifts", k, *fault.where)
            found.append(Fault(place, fault.code, fault.what, fault.mend))
    return found


def reconcile_series(
    flowsheet: Flowsheet,
    shifts: Sequence[Sequence[Reading]],
    instruments: Sequence[Sequence[Subject]] = (),
    pools: Sequence[Sequence[Subject]] = (),
    design: Design | None = None,
    options: Options | None = None,
) -> Drift:
    """
    Balance every shift and look at their residuals together.

    ``instruments`` are lists of subjects with one instrument or sample point each; what none of
    them names is an instrument of its own, in the order in which it is first read, after those
    named.  ``pools`` are lists of subjects whose sds come from one error model each, so that they
    are right or wrong together.  Limits bear on the balances but are no evidence of drift, and the
    estimator is least squares.

    Raises
    ------
    InvalidInput
        with every fault of flowsheet and readings.
    OverBudget
        if time or memory does not last for all shifts and the search together.
    """
    options = options or Options()
    faults = _faults(flowsheet, shifts)
    if faults:
        raise InvalidInput(faults)
    budget = Budget(options.time_budget_s, options.memory_budget_mb)
    series = _Series(flowsheet, shifts, options, budget)
    for readings in shifts:
        for reading in readings:
            if math.isfinite(reading.sd):
                place = len(series.subjects)
                series.subjects.setdefault(subject_of(flowsheet, reading), place)
    with spending(budget), np.errstate(all="ignore"):
        _balance_all(series)
        belonging = _belonging(series.subjects, instruments)
        together = _belonging(series.subjects, pools)
        return _looked_at(series, belonging, (together, len(pools)), design or Design())


def _belonging(
    subjects: dict[Subject, int], instruments: Sequence[Sequence[Subject]]
) -> Instruments:
    """Give each subject its instrument: one that names it, or one of its own."""
    of = np.full(len(subjects), -1)
    for g, named in enumerate(instruments):
        for subject in named:
            if subject in subjects:
                of[subjects[subject]] = g
    alone = np.flatnonzero(of < 0)
    of[alone] = len(instruments) + np.arange(len(alone))
    return Instruments(of, len(instruments) + len(alone))


def _balance_all(series: _Series) -> None:
    """Balance every shift; those with nothing of their own to estimate go side by side."""
    plain = [k for k in range(len(series.shifts)) if _is_plain(series, k)]
    alone = sorted(set(range(len(series.shifts))) - set(plain))
    if plain:
        alone += _side_by_side(series, plain)
    for k in alone:
        series.budget.check()
        _by_itself(series, k)


def _is_plain(series: _Series, shift: int) -> bool:
    """Say whether the masses of a shift are all that there is to know of its optimum."""
    sheet, readings = series.flowsheet, series.counted(shift)
    uncertain = any(c.sd > 0 for contents in sheet.contents.values() for c in contents.values())
    return bool(readings) and not (
        uncertain
        or sheet.orders
        or any(r.causes or r.limit or r.sd == 0 or r.level is not None for r in readings)
    )


def _side_by_side(series: _Series, chosen: list[int]) -> list[int]:
    """Balance plain shifts in a stack; give those that had better be solved by themselves."""
    stack = _stacked(series, chosen)
    if (stack.outcomes == CODES.index(Outcome.OVER_BUDGET)).any():
        series.budget.check()
        raise OverBudget("time: not all shifts were reached")
    again = [k for k, closed in zip(chosen, stack.closed, strict=True) if not closed]
    alike: dict[bytes, list[int]] = {}
    for row in np.flatnonzero(stack.closed).tolist():
        alike.setdefault(series.places(chosen[row]).tobytes(), []).append(row)
    for rows in alike.values():
        plan = _plan_of(series, chosen[rows[0]])
        points = stack.points[rows].reshape(len(rows), -1)
        remainders = Remainders(plan, np.median(np.abs(points), axis=0))
        present = plan.model.columns(0)[~plan.model.absent[plan.model.columns(0)]]
        for row, point in zip(rows, points, strict=True):
            if (point[present] == 0).any():  # an emptied stream is left to the general road
                again.append(chosen[row])
                continue
            held = stack.outcomes[row] == CODES.index(Outcome.CLOSED_WITH_ACTIVE_BOUNDS)
            _note(series, chosen[row], remainders, point, plan.model.absent, bounded=bool(held))
    return again


def _stacked(series: _Series, chosen: list[int]) -> Stack:
    """Balance shifts side by side."""
    values = np.full((len(chosen), len(series.subjects)), np.nan)
    sds = np.full_like(values, np.nan)
    typical: dict[int, Reading] = {}
    for row, k in enumerate(chosen):
        for place, reading in zip(series.places(k), series.counted(k), strict=True):
            values[row, place], sds[row, place] = reading.value, reading.sd
            typical.setdefault(int(place), reading)
    places = sorted(typical)
    readings = [typical[place] for place in places]
    sheet, options = series.flowsheet, series.options
    return reconcile_stack(sheet, readings, values[:, places], sds[:, places], options)


def _plan_of(series: _Series, shift: int) -> Plan:
    readings = series.counted(shift)
    return PLANS.of(
        series.flowsheet,
        [Key(*subject_of(series.flowsheet, r), r.causes) for r in readings],
        [r.loss for r in readings],
        [r.sd == 0 for r in readings],
    )


def _note(
    series: _Series, k: int, remainders: Remainders, x: Floats, closed: Bools, *, bounded: bool
) -> None:
    series.budget.check()
    readings = series.counted(k)
    values = np.array([r.value for r in readings])
    sds = np.array([r.sd for r in readings])
    series.rests[k] = (series.places(k), remainders.of(values, sds, x, closed))
    series.bounded += bounded


def _by_itself(series: _Series, k: int) -> None:
    """Balance one shift on the general road, or note why it has no balance."""
    readings = series.counted(k)
    values = np.array([r.value for r in readings])
    sds = np.array([r.sd for r in readings])
    if readings:
        plan = _plan_of(series, k)
        with suppress(Contradiction, StartError, np.linalg.LinAlgError):
            found = solve(plan, values, sds, series.options, series.budget)
            if found.optimum.converged and not len(found.boundless):
                held = found.optimum.binding
                bounded = held.lower.any() or held.within.any() or found.emptied.any()
                remainders = Remainders(plan, found.throughput)
                _note(series, k, remainders, found.x, found.closed, bounded=bool(bounded))
                return
    if not readings:
        reason = Failure((), "Nothing was read.")
        series.left_out.append(LeftOut(k, Outcome.NOT_CONVERGED, reason))
        return
    balance = reconcile_balance(series.flowsheet, series.shifts[k], series.options)
    reason = balance.failure or Failure((), "No balance that can be vouched for was found.")
    outcome = balance.outcome if balance.failure else Outcome.NOT_CONVERGED
    series.left_out.append(LeftOut(k, outcome, reason))


def _laid_out(series: _Series, kept: list[int]) -> Residuals:
    """Lay the shifts' remainders side by side over all subjects."""
    most = max((len(series.rests[k][1].w) for k in kept), default=0)
    shape = (len(kept), len(series.subjects), most)
    series.budget.reserve(3 * np.prod(shape) / MEGABYTE, "the residuals of all shifts")
    w, bases = np.zeros((len(kept), most)), np.zeros(shape)
    for row, k in enumerate(kept):
        places, rest = series.rests[k]
        free = len(rest.w)
        w[row, :free] = rest.w
        bases[row, places, :free] = rest.rows
    return Residuals(w, bases, np.arange(len(kept)))


def _looked_at(
    series: _Series, instruments: Instruments, pools: tuple[Instruments, int], design: Design
) -> Drift:
    kept = sorted(series.rests)
    residuals = _laid_out(series, kept)
    values = np.full((len(kept), len(series.subjects)), np.nan)
    sds = np.full_like(values, np.nan)
    for row, k in enumerate(kept):
        places, readings = series.rests[k][0], series.counted(k)
        values[row, places] = [r.value for r in readings]
        sds[row, places] = [r.sd for r in readings]
    found = findings(residuals, instruments, design) if len(kept) >= FEWEST_SHIFTS else None
    return Drift(
        subjects=tuple(series.subjects),
        instruments=instruments,
        kept=tuple(kept),
        left_out=tuple(sorted(series.left_out, key=lambda one: one.shift)),
        values=values,
        sds=sds,
        statistics=(residuals.w**2).sum(axis=1),
        degrees=np.array([len(series.rests[k][1].w) for k in kept], dtype=np.int64),
        bounded=series.bounded,
        residuals=residuals,
        findings=found,
        pooled=_pooled(found, *pools) if found else None,
    )


def _pooled(found: Findings, pools: Instruments, count: int) -> Components | None:
    return components(found.cleaned, pools, np.arange(count)) if count else None
