"""The resource /v1/drift."""

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
    INTERNAL,
    INVALID_REQUEST,
    MALFORMED,
    NOT_CONVERGED,
    OVER_BUDGET,
    UNSUPPORTED_MEDIA_TYPE,
)

from .reply import DriftReply
from .schemas import MINIMAL_EXAMPLE, DriftRequest
from .service import drift_json

router = APIRouter(prefix="/v1/drift", tags=["drift"])

_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {"model": DriftReply, "description": "What the series shows."},
    **problem_responses(
        MALFORMED,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        INVALID_REQUEST,
        NOT_CONVERGED,
        INTERNAL,
        CALCULATION_LOST,
        OVER_BUDGET,
        BUSY,
    ),
}


@router.post(
    "",
    operation_id="look_for_drift",
    summary="Look for drift over many shifts",
    response_class=Response,
    responses=_RESPONSES,
    openapi_extra=request_body(DriftRequest, MINIMAL_EXAMPLE),
)
async def post_drift(request: Request, body: Annotated[bytes, Depends(json_bytes)]) -> Response:
    """
    Balance many shifts of one flowsheet and say which instrument is off; nothing is stored.

    What the balances leave over is looked at together: sustained biases by cumulative sums, with
    start and size; single gross errors; and whether the stated standard deviations are those that
    the series shows. What nothing checks is said to be unchecked, never guessed.
    """
    calculations: Calculations = request.app.state.calculations
    reply = await calculations.run(drift_json, body)
    return Response(reply, media_type="application/json")
