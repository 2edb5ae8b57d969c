"""The resource /v1/sampling-plans."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response

from service.kit.body import json_bytes
from service.kit.calculations import Calculations
from service.kit.contract import problem_responses, request_body
from service.kit.problems import (
    BODY_TOO_LARGE,
    BUSY,
    CALCULATION_LOST,
    CONTRADICTORY,
    INTERNAL,
    INVALID_REQUEST,
    MALFORMED,
    NOT_CONVERGED,
    OVER_BUDGET,
    UNSUPPORTED_MEDIA_TYPE,
)

from .reply import SamplingPlanReply
from .schemas import PLAN_EXAMPLE, SamplingPlanRequest
from .service import plan_json

router = APIRouter(prefix="/v1/sampling-plans", tags=["sampling plans"])

_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {"model": SamplingPlanReply, "description": "The plan."},
    **problem_responses(
        MALFORMED,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        INVALID_REQUEST,
        CONTRADICTORY,
        NOT_CONVERGED,
        INTERNAL,
        CALCULATION_LOST,
        OVER_BUDGET,
        BUSY,
    ),
}


@router.post(
    "",
    operation_id="plan_sampling",
    summary="Find the next best readings",
    response_class=Response,
    responses=_RESPONSES,
    openapi_extra=request_body(SamplingPlanRequest, PLAN_EXAMPLE),
)
async def post_plan(request: Request, body: Annotated[bytes, Depends(json_bytes)]) -> Response:
    """
    Rank further readings by what they bring, and choose a plan within a budget; nothing is stored.

    The request is that of a balance with targets, or with a bias to be found, and a budget.
    Additions, repeats and improvements of readings are compared by gain and by gain per cost, and
    the reply says how far the plan can be from the best there is.
    """
    calculations: Calculations = request.app.state.calculations
    reply = await calculations.run(plan_json, body)
    return Response(reply, media_type="application/json")
