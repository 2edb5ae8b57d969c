"""The blank test sheet: the resource /v1/tests/sheet."""

from __future__ import annotations

from functools import partial
from typing import Any

from fastapi import APIRouter, Request, Response

from service.kit.accept import wanted_kind
from service.kit.calculations import Calculations
from service.kit.contract import problem_responses
from service.kit.media import CSV, XLSX
from service.kit.problems import (
    BUSY,
    CALCULATION_LOST,
    INTERNAL,
    INVALID_PARAMETER,
    NOT_ACCEPTABLE,
    OVER_BUDGET,
)
from service.kit.query import Query
from service.kit.settings import Settings

from .service import sheet_of

router = APIRouter(prefix="/v1/tests", tags=["tests"])

_KINDS = {XLSX: "test-sheet.xlsx", CSV: "test-sheet.csv"}
_CONTENT = {
    XLSX: "A workbook: sheets to fill in, notes to each column, choices to pick from, an example.",
    CSV: "The same sheets below one another as a table.",
}
_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "A blank test sheet.",
        "content": {
            kind: {"schema": {"type": "string", "description": what}}
            for kind, what in _CONTENT.items()
        },
    },
    **problem_responses(
        *(INVALID_PARAMETER, NOT_ACCEPTABLE, INTERNAL, CALCULATION_LOST, OVER_BUDGET, BUSY)
    ),
}


def blank(_: bytes, __: Settings, kind: str) -> bytes:
    """Write a blank sheet; where calculations run, since it takes a tenth of a second."""
    return sheet_of(None, kind)


@router.get(
    "/sheet",
    operation_id="get_blank_test_sheet",
    summary="Get a blank test sheet",
    response_class=Response,
    responses=_RESPONSES,
)
async def get_blank_test_sheet(request: Request) -> Response:
    """
    Give a blank test sheet, as a workbook or by 'Accept' as a table.

    Filled in it can be posted to /v1/tests, or kept under a site.
    """
    Query(request.query_params, ()).done()
    kind = wanted_kind(request.headers, tuple(_KINDS))
    calculations: Calculations = request.app.state.calculations
    made = await calculations.run(partial(blank, kind=kind), b"")
    headers = {
        "Content-Disposition": f'attachment; filename="{_KINDS[kind]}"',
        "Vary": "Accept",
    }
    return Response(made, headers=headers, media_type=kind)
