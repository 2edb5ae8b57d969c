"""One sampling plan from the bytes of a request to the reply; both doors go through here."""

from __future__ import annotations

from reconcile import InvalidInput
from reconcile.evidence.sampling import SamplingPlan
from reconcile.sampling import sampling_plan
from service.balances.intake import taken_in
from service.balances.service import options_of, refuse_unbalanced
from service.kit.calculations import weigh
from service.kit.problems import refuse_faulty
from service.kit.replies import as_bytes
from service.kit.settings import Settings

from .answer import answer
from .reply import SamplingPlanReply
from .schemas import SamplingPlanRequest
from .terms import Asked, asked_of

STEPS = 2
"""Balances that a plan takes the time of, at the least: the balance itself, and the search."""


def _planned(request: SamplingPlanRequest, asked: Asked, settings: Settings) -> SamplingPlan:
    options = options_of(request.options, settings)
    try:
        return sampling_plan(asked.terms.flowsheet, asked.terms.readings, asked.question, options)
    except InvalidInput as error:
        raise refuse_faulty(error.faults) from error


def plan(body: bytes, settings: Settings) -> SamplingPlanReply:
    """
    Give the sampling plan that a request asks for.

    Raises
    ------
    RefusalError
        if the request is faulty, or has no balance; its problem says why.
    Misplaced
        if it is too large for the lane of a worker process that this is.
    """
    request, asked = taken_in(body, settings, SamplingPlanRequest, asked_of)
    sheet = asked.terms.flowsheet
    weigh(STEPS * len(sheet.streams) * len(sheet.quantities))
    found = _planned(request, asked, settings)
    if found.failure is not None:
        raise refuse_unbalanced(asked.terms, found.failure)
    return answer(request, asked, found)


def plan_json(body: bytes, settings: Settings) -> bytes:
    """Give the reply to a request as it is sent; raises what :func:`plan` raises."""
    return as_bytes(plan(body, settings))
