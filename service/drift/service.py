"""One series from the bytes of a request to the reply; both doors go through here."""

from __future__ import annotations

from functools import partial
from time import perf_counter

import numpy as np

from reconcile import Fault, InvalidInput, Options, Outcome
from reconcile.drift import FEWEST_SHIFTS, Drift, reconcile_series
from reconcile.evidence.drift.found import Findings
from reconcile.evidence.drift.search import Design
from reconcile.kernel.budget import OverBudget
from service.balances.intake import taken_in
from service.kit.calculations import weigh
from service.kit.problems import (
    NOT_CONVERGED,
    OVER_BUDGET,
    RefusalError,
    problem_of,
    refuse_faulty,
)
from service.kit.replies import OUT_OF_RANGE, as_bytes, refuse_doubtful
from service.kit.settings import Settings

from .answer import Telling, answer
from .reply import DriftReply
from .schemas import DriftOptionsObject, DriftRequest
from .terms import SeriesTerms, series_terms_of


def _calculated(request: DriftRequest, terms: SeriesTerms, settings: Settings) -> Drift:
    options = request.options or DriftOptionsObject()
    assert terms.flowsheet is not None  # noqa: S101 - a request without shifts is refused
    limits = Options(
        time_budget_s=min(options.time_budget_s or settings.time_budget_s, settings.time_budget_s),
        memory_budget_mb=settings.memory_budget_mb,
    )
    try:
        return reconcile_series(
            terms.flowsheet,
            terms.shifts,
            [instrument.subjects for instrument in terms.instruments],
            [model.subjects for model in terms.models],
            Design(options.average_run_length, options.design_shift),
            limits,
        )
    except InvalidInput as error:
        raise refuse_faulty(error.faults) from error
    except OverBudget as over:
        told = {"outcome": str(Outcome.OVER_BUDGET), "nodes": [], "reason": str(over)}
        problem = problem_of(OVER_BUDGET, f"{over}.").model_copy(update=told)
        raise RefusalError(OVER_BUDGET, problem) from over


def _refuse_unbalanced(request: DriftRequest, drift: Drift) -> RefusalError:
    """Give the refusal of a series of which too little can be balanced, shift by shift."""
    faults = [
        Fault(
            ("shifts", one.shift),
            str(one.outcome).replace(" ", "-"),
            f"Shift '{request.shifts[one.shift].name}' has no balance: {one.failure.reason}",
            "Correct its readings, or leave the shift out.",
        )
        for one in drift.left_out
    ]
    reason = f"{len(drift.kept)} shifts have a balance; fewer than {FEWEST_SHIFTS} show no drift."
    told = {"outcome": str(Outcome.NOT_CONVERGED), "nodes": [], "reason": reason}
    problem = problem_of(NOT_CONVERGED, reason, faults).model_copy(update=told)
    return RefusalError(NOT_CONVERGED, problem)


def _is_sound(found: Drift, findings: Findings) -> bool:
    """Tell whether every number that sentences are made of is one."""
    numbers = [found.statistics, findings.redundancy, findings.sums.peak]
    numbers += [np.array([b.size, b.sd, b.ramp_odds, b.chance]) for b in findings.biases]
    numbers += [np.array([s.ratio, s.sd, s.chance]) for s in findings.spreads]
    return all(bool(np.isfinite(one).all()) for one in numbers)


def drift(body: bytes, settings: Settings) -> DriftReply:
    """
    Give what the series in a request shows.

    Raises
    ------
    RefusalError
        if the request is faulty, or too few of its shifts have a balance.
    Misplaced
        if it is too large for the lane of a worker process that this is.
    """
    reply = _answered(body, settings)
    as_bytes(reply)
    return reply


def drift_json(body: bytes, settings: Settings) -> bytes:
    """Give the reply to a request as it is sent; raises what :func:`drift` raises."""
    return as_bytes(_answered(body, settings))


def _answered(body: bytes, settings: Settings) -> DriftReply:
    judged = partial(series_terms_of, most_readings=settings.reading_limit)
    request, terms = taken_in(body, settings, DriftRequest, judged)
    sheet = terms.flowsheet
    if sheet is not None:
        weigh(len(sheet.streams) * len(sheet.quantities) * len(terms.shifts))
    started = perf_counter()
    found = _calculated(request, terms, settings)
    if found.findings is None:
        raise _refuse_unbalanced(request, found)
    engine_time_ms = 1e3 * (perf_counter() - started)
    if not _is_sound(found, found.findings):
        raise refuse_doubtful(OUT_OF_RANGE)
    return answer(Telling(request, terms, found, found.findings), engine_time_ms)
