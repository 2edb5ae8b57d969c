"""The resource /v1/balances."""

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

from .reply import BalanceReply
from .schemas import MINIMAL_EXAMPLE, BalanceRequest
from .service import balance_json

router = APIRouter(prefix="/v1/balances", tags=["balances"])

_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {"model": BalanceReply, "description": "The reconciled balance."},
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
    operation_id="reconcile_balance",
    summary="Reconcile a balance",
    response_class=Response,
    responses=_RESPONSES,
    openapi_extra=request_body(BalanceRequest, MINIMAL_EXAMPLE),
)
async def post_balance(request: Request, body: Annotated[bytes, Depends(json_bytes)]) -> Response:
    """
    Reconcile the readings of one flowsheet and give the balance back; nothing is stored.

    All masses and assays are adjusted at once, each by no more than its error asks for, so
    that every node balances for the solids and for every component. What the readings do not
    determine comes back as null with its class, never as an invented number.
    """
    calculations: Calculations = request.app.state.calculations
    reply = await calculations.run(balance_json, body)
    return Response(reply, media_type="application/json")
