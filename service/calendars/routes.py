"""The resource /v1/sites/{site}/calendar."""

from __future__ import annotations

from typing import Annotated

import fastapi
from fastapi import APIRouter, Request, Response
from pydantic import WithJsonSchema

from service.kit.contract import NEEDED, problem_responses
from service.kit.query import Query, a_time
from service.sites.routes import READ_PROBLEMS, SiteKey
from service.store.calls import in_thread, store_of
from service.versions.routes import Versioned, versioned_routes
from service.versions.service import Place

from . import service
from .schemas import EXAMPLE, CalendarReply, CalendarVersion, ShiftList, ShiftReply
from .shifts import Shift

router = APIRouter(prefix="/v1/sites/{site}", tags=["calendar"])

_TIME = WithJsonSchema({"type": "string", "format": "date-time", NEEDED: True})
_NEEDED = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-08T00:00:00Z"}

Since = Annotated[str, _TIME, fastapi.Query(alias="from", description="From when on.")]
Until = Annotated[str, _TIME, fastapi.Query(alias="to", description="Until when, exclusive.")]


def _place(site: SiteKey) -> Place:
    return Place(site, service.KIND)


def reply_of(shift: Shift) -> ShiftReply:
    """Give a shift as it is told."""
    return ShiftReply(
        key=shift.key,
        day=shift.day,
        name=shift.name,
        start=shift.start,
        end=shift.end,
        hours=shift.hours,
    )


@router.get(
    "/calendar/shifts",
    operation_id="list_shifts",
    summary="List the shifts of a time",
    response_class=Response,
    responses={
        200: {"model": ShiftList, "description": "The shifts."},
        **problem_responses(*READ_PROBLEMS),
    },
)
async def list_shifts(
    request: Request,
    site: SiteKey,
    since: Since = "",  # noqa: ARG001 - read strictly below
    until: Until = "",  # noqa: ARG001
) -> Response:
    """Give the shifts that have some time in common with 'from' to 'to', at most 1000."""
    query = Query(request.query_params, tuple(_NEEDED))
    times = [query.needed(name, a_time, example) for name, example in _NEEDED.items()]
    query.done()
    found = await in_thread(request, service.shifts_between, store_of(request), site, *times)
    reply = ShiftList(shifts=[reply_of(shift) for shift in found])
    return Response(reply.model_dump_json(), media_type="application/json")


versioned_routes(
    router,
    Versioned(
        word="calendar",
        path="/calendar",
        place=_place,
        write=service.put,
        request=CalendarVersion,
        reply=CalendarReply,
        example=EXAMPLE,
    ),
)
