"""One calculation, one straight walk: from flowsheet and readings to the balance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from scipy.stats import chi2

from . import flowsheet as flowsheets
from . import readings as readings_module
from .assemble import assembled, failed
from .balance import Balance, Failure, Outcome
from .evidence import cautions
from .evidence.aside import Setting
from .evidence.aside import in_words as without_in_words
from .evidence.investigation import Investigation
from .evidence.mending import in_words, mending
from .faults import InvalidInput
from .findings import Evidence
from .flowsheet import Flowsheet
from .kernel.budget import Budget, OverBudget, in_hand, spending
from .kernel.limits import CLOSURE_TOLERANCE
from .linearisation import Linearisation
from .model import keys_of
from .options import Options, Robust
from .plan import PLANS
from .readings import Reading
from .solve import solve
from .stack import objectives, objectives_without
from .start import Contradiction, StartError

if TYPE_CHECKING:
    from .kernel.problem import Floats, Ints
    from .plan import Plan
    from .solution import Solution


Ending = TypeVar("Ending")
Further = TypeVar("Further")

ALIKE = 1e-3
"""Share of the fall within which two nodes explain a contradiction of sizes equally well."""

SECOND_OPINION_STEPS = 40
"""Newton steps of a robust fit that is only a second opinion: one that needs more is done
without."""

EVIDENCE_SHARE = 0.7
"""Share of the time left that the evidence may take: what comes after it needs some too."""

SWIFT_STEPS = 30
"""Newton steps of a balance with a reading set aside: without the wrong one a few are enough, and
with it no number helps."""

MENDED = 0.01
"""P-value from which a balance with values exchanged is sound enough to be mentioned."""

AS_GOOD = 6.0
"""Sum of squares by which readings set aside may differ and both be named: about the 0.05 of a
probability from which explanations are told."""

ROUNDING = 1e-9
"""A statistic below this is zero."""

_START_FAILED = (
    "No start could be computed: the fixed values or masses differ by more orders of magnitude "
    "than the arithmetic holds. Check their units"
)


def reconcile_balance(
    flowsheet: Flowsheet, readings: Sequence[Reading], options: Options | None = None
) -> Balance:
    """
    Reconcile the readings of a flowsheet.

    Minimises the sum of squared adjustments over stated standard deviations subject to balances
    of the solids and of every component at every node, no negative quantity, and no component
    above its solids; all at once.  The variances are those stated, not re-evaluated at the
    estimate.

    Raises
    ------
    InvalidInput
        with every fault of flowsheet and readings.  All other endings are outcomes.
    """
    return balance_and(flowsheet, readings, options, lambda *_: None)[0]


def balance_and(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    options: Options | None,
    further: Callable[[Linearisation, Sequence[int]], Further],
) -> tuple[Balance, Further | None]:
    """
    Give the balance, and what ``further`` makes of the linearisation at its solution.

    ``further`` also takes the positions of the readings that count, and has what is left of the
    budget; without a balance it is not asked.

    Raises
    ------
    InvalidInput
        as :func:`reconcile_balance`.
    """
    options = options or Options()

    def ending(solution: Solution, counted: Sequence[int]) -> tuple[Balance, Further | None]:
        at = Linearisation(solution)
        balance = _vouched(assembled(at, readings, counted))
        more = None if balance.failure is not None else further(at, counted)
        balance = _with_evidence(balance, at, readings, counted, options)
        return _with_size_caution(balance, solution.plan, solution, options), more

    budget = Budget(options.time_budget_s, options.memory_budget_mb)
    found = walked(flowsheet, readings, options, ending)
    balance, more = (found, None) if isinstance(found, Balance) else found
    if balance.outcome is Outcome.NOT_CONVERGED and options.scrutiny is not None:
        return _with_mending(balance, flowsheet, readings, options, budget), None
    return balance, more


def _with_mending(
    found: Balance,
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    options: Options,
    budget: Budget,
) -> Balance:
    """Say which exchange of values, or which reading set aside, would lead to a balance."""
    counted = [i for i, r in enumerate(readings) if math.isfinite(r.sd)]
    plan = _planned(flowsheet, readings, counted)

    def side_by_side(values: Floats, sds: Floats) -> Floats:
        return objectives(plan, values[:, counted], sds[:, counted], options, budget)

    try:
        with spending(budget), np.errstate(all="ignore"):
            mended = mending(flowsheet, readings, side_by_side)
            without = []
            if plan.model.is_small:
                setting = _setting(flowsheet, options, budget)
                without = setting.where_there_is_none(readings, plan, counted)
            degrees = plan.degrees_of_freedom
    except (OverBudget, StartError, np.linalg.LinAlgError):
        return found
    least = min([cost for cost, _ in mended[:1]] + [one.cost for one in without[:1]], default=None)
    if least is None or found.failure is None or degrees == 0:
        return found
    p_value = float(chi2.sf(least, degrees))
    if p_value < MENDED:
        return found
    alike = [one for one in without if one.cost - least <= AS_GOOD]
    if alike:
        said = without_in_words(alike, readings, p_value)
    else:
        said = in_words(mended[0][1], readings, p_value)
    return replace(found, failure=replace(found.failure, reason=f"{found.failure.reason} {said}"))


def _setting(flowsheet: Flowsheet, options: Options, budget: Budget) -> Setting:
    """Give how readings are set aside: in a balance that is soon found or of no use."""
    steps = min(SWIFT_STEPS, options.max_iterations)
    swift = replace(options, max_iterations=steps, further_starts=False, scrutiny=None)

    def anew(readings: Sequence[Reading]) -> Linearisation | None:
        return _linearised(flowsheet, readings, replace(swift, time_budget_s=budget.left))

    def costs(plan: Plan, values: Floats, sds: Floats, without: Ints) -> Floats:
        return objectives_without(plan, values, sds, without, swift, budget)

    return Setting(anew, costs)


def _planned(flowsheet: Flowsheet, readings: Sequence[Reading], counted: Sequence[int]) -> Plan:
    return PLANS.of(
        flowsheet,
        keys_of(flowsheet, [readings[i] for i in counted]),
        [readings[i].loss for i in counted],
        [readings[i].sd == 0 for i in counted],
    )


def walked(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    options: Options,
    ending: Callable[[Solution, Sequence[int]], Ending],
) -> Ending | Balance:
    """
    Walk from flowsheet and readings to the solution, and give what ``ending`` makes of it.

    ``ending`` takes the solution and, for each of its readings, the position among those given
    (those of infinite sd count for nothing and are left out).  Where there is no solution, a
    balance that says why.

    Raises
    ------
    InvalidInput
        with every fault of flowsheet and readings.
    """
    faults = flowsheets.faults_of(flowsheet)
    if faults:
        raise InvalidInput([f.under("flowsheet") for f in faults])
    faults = readings_module.faults_of(flowsheet, readings)
    if faults:
        raise InvalidInput(faults)
    budget = Budget(options.time_budget_s, options.memory_budget_mb)
    counted = [i for i, r in enumerate(readings) if math.isfinite(r.sd)]
    planned = _planned(flowsheet, readings, counted)
    values = np.array([readings[i].value for i in counted], dtype=np.float64)
    sds = np.array([readings[i].sd for i in counted], dtype=np.float64)
    try:
        # Numbers further apart than a double holds give infinities on the way; the iteration
        # then finds no descent and says so by its outcome.
        with spending(budget), np.errstate(all="ignore"):
            solution = solve(planned, values, sds, options, budget)
            if len(solution.boundless):
                return failed(Outcome.NOT_CONVERGED, _boundless(solution))
            if not solution.optimum.converged:
                return failed(Outcome.NOT_CONVERGED, _not_converged(solution))
            return ending(solution, counted)
    except Contradiction as contradiction:
        return failed(Outcome.CONTRADICTORY, _contradiction(planned, contradiction, counted))
    except (StartError, np.linalg.LinAlgError) as error:
        return failed(Outcome.NOT_CONVERGED, Failure((), f"{_START_FAILED} ({error})"))
    except OverBudget as over:
        return failed(Outcome.OVER_BUDGET, Failure((), str(over)))


def _linearised(
    flowsheet: Flowsheet, readings: Sequence[Reading], options: Options
) -> Linearisation | None:
    """Balance a copy of the readings and linearise there; ``None`` where there is no balance."""
    try:
        found = walked(flowsheet, readings, options, lambda solution, _: Linearisation(solution))
    except InvalidInput:
        return None
    return found if isinstance(found, Linearisation) else None


def _with_evidence(
    balance: Balance,
    at: Linearisation,
    readings: Sequence[Reading],
    counted: Sequence[int],
    options: Options,
) -> Balance:
    """Add the evidence about what may be wrong, if it is asked for; it never costs the balance."""
    scrutiny, sheet = options.scrutiny, at.solution.plan.model.flowsheet
    if scrutiny is None or balance.failure is not None:
        return balance
    whole = in_hand()
    budget = Budget(EVIDENCE_SHARE * whole.left, whole.megabytes)
    setting = _setting(sheet, options, budget)

    def balanced(readings: Sequence[Reading], robust: Robust = Robust.NONE) -> Balance:
        steps = options.max_iterations if robust is Robust.NONE else SECOND_OPINION_STEPS
        left = replace(
            options,
            scrutiny=None,
            robust=robust,
            time_budget_s=budget.left,
            max_iterations=min(steps, options.max_iterations),
        )
        try:
            return reconcile_balance(sheet, readings, left)
        except InvalidInput as fault:
            # Values in another place may be none that could be read there.
            return failed(Outcome.NOT_CONVERGED, Failure((), str(fault)))

    def relinearised(readings: Sequence[Reading]) -> Linearisation | None:
        return _linearised(sheet, readings, replace(options, time_budget_s=budget.left))

    def side_by_side(values: Floats, sds: Floats) -> Floats:
        return objectives(at.solution.plan, values[:, counted], sds[:, counted], options, budget)

    try:
        with spending(budget):
            found = Investigation(
                at,
                balance,
                readings,
                counted,
                scrutiny,
                balanced,
                relinearised,
                side_by_side,
                setting,
            ).evidence()
    except (OverBudget, np.linalg.LinAlgError) as trouble:
        found = Evidence(f"none: {trouble}", scrutiny.level)
    return replace(balance, evidence=found)


def _with_size_caution(
    balance: Balance, planned: Plan, solution: Solution, options: Options
) -> Balance:
    """Add the caution about a node whose size balance the readings contradict, if there is one."""
    test, sheet = balance.test, planned.model.flowsheet
    suspects = cautions.nodes_that_keep_sizes(sheet)
    if test is None or test.p_value is None or test.p_value > cautions.LEVEL or not suspects:
        return balance
    before = (solution.optimum.objective, test.degrees_of_freedom)
    falls: dict[str, float] = {}
    for node in suspects:
        other = replace(
            planned, model=replace(planned.model, flowsheet=cautions.altered(sheet, node))
        )
        try:
            found = solve(other, solution.own_values, solution.own_sds, options, planned.budget)
        except (Contradiction, StartError, np.linalg.LinAlgError):
            continue
        after = (found.optimum.objective, other.degrees_with(found.closed))
        if found.optimum.converged and cautions.explains(before, after, len(suspects)):
            falls[node] = after[0]
    if not falls:
        return balance
    least = min(falls.values())
    # Nodes that explain it equally well cannot be told apart.
    named = [n for n, after in falls.items() if after - least <= ALIKE * (before[0] - least)]
    said = cautions.sizes_made(named, before[0], least if least > ROUNDING else 0.0)
    return replace(balance, warnings=(*balance.warnings, said))


def _boundless(solution: Solution) -> Failure:
    streams = [solution.plan.model.flowsheet.streams[s] for s in solution.boundless]
    nodes = dict.fromkeys(n for s in streams for n in (s.source, s.target) if n is not None)
    return Failure(
        tuple(nodes),
        "The readings set no upper limit to the mass of "
        f"{', '.join(repr(s.name) for s in streams)}: the fit improves for ever as it grows. Weigh "
        "one of these streams, or state the errors of the assays around them more narrowly.",
    )


def _vouched(balance: Balance) -> Balance:
    """Give the balance, or none at all if it does not close."""
    worst = max(balance.closure, key=lambda imbalance: imbalance.relative)
    if worst.relative <= CLOSURE_TOLERANCE:
        return balance
    failure = Failure(
        (worst.node,),
        f"{worst.of} does not close at '{worst.node}': {worst.relative:.2g} of its throughput. The "
        "standard deviations or fixed values around it differ by more than the arithmetic holds.",
    )
    return failed(Outcome.NOT_CONVERGED, failure)


def _contradiction(planned: Plan, found: Contradiction, counted: list[int]) -> Failure:
    model = planned.model
    node, quantity = model.balances
    balances, exact_rows = len(node), model.exact_rows.height
    exact = np.flatnonzero(planned.fixed & planned.meaningful(found.closed))
    fixed_rows = slice(exact_rows, exact_rows + len(exact))
    opposed = found.involved[fixed_rows] | found.broken[fixed_rows]
    fixed = [planned.keys[k] for k in exact[opposed]]
    concerned = np.flatnonzero((found.broken | found.involved)[:balances])
    broken = np.flatnonzero(found.broken[:balances])
    nodes = model.flowsheet.nodes
    named = tuple(dict.fromkeys(nodes[node[row]] for row in (*broken, *concerned)))
    of = dict.fromkeys(str(model.flowsheet.quantities[quantity[row]]) for row in concerned)
    within = np.flatnonzero((found.broken | found.involved)[balances:exact_rows])
    sums = dict.fromkeys(model.stream_of_sum(int(row)) for row in within)
    where = ", ".join(f"'{name}'" for name in (*named, *sums))
    where = where or ", ".join(dict.fromkeys(key.where for key in fixed)) or "the bounds"
    listed = ", ".join(f"{key.of.name} of {key.where}" for key in fixed)
    return Failure(
        named,
        f"The fixed values cannot all be true: {', '.join(of) or 'mass'} cannot balance at "
        f"{where}. Fixed there: {listed or 'the readings with sd 0'}. Give at least one of them "
        "a standard deviation above zero.",
        tuple(counted[k] for k in exact[opposed]),
    )


def _not_converged(solution: Solution) -> Failure:
    planned = solution.plan
    size = np.abs(solution.residuals[: len(planned.keys)])
    size = np.where(np.isfinite(size), size, 0.0)
    key = planned.keys[int(np.argmax(size))]
    ends = [s for s in planned.model.flowsheet.streams if s.name in key.streams]
    nodes = tuple(dict.fromkeys(n for s in ends for n in (s.source, s.target) if n is not None))
    return Failure(
        nodes,
        f"No solution within {solution.optimum.iterations} iterations: the remaining move is "
        f"{solution.optimum.decrement:.3g} standard deviations. The reading that fits worst is "
        f"{key.of.name} of {key.where}, {size.max():.3g} standard deviations off; check it first.",
    )
