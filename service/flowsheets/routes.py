"""The resource /v1/sites/{site}/flowsheets."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from pydantic import WithJsonSchema

from service.kit.contract import problem_responses
from service.kit.identifiers import KEY_SCHEMA
from service.kit.paging import PARAMETERS, Cursor, Limit, link_header, links, paging
from service.kit.query import Query
from service.sites.routes import READ_PROBLEMS, SiteKey
from service.store.calls import in_thread, store_of
from service.versions import service as versions
from service.versions.routes import Versioned, entry, versioned_routes
from service.versions.service import Place

from . import service
from .schemas import EXAMPLE, FlowsheetEntry, FlowsheetList, FlowsheetReply, FlowsheetVersion

router = APIRouter(prefix="/v1/sites/{site}/flowsheets", tags=["flowsheets"])

FlowsheetKey = Annotated[
    str,
    WithJsonSchema(KEY_SCHEMA),
    Path(description="Key of the flowsheet.", examples=["main"]),
]


def _place(site: SiteKey, flowsheet: FlowsheetKey) -> Place:
    return Place(site, service.KIND, flowsheet)


@router.get(
    "",
    operation_id="list_flowsheets",
    summary="List the flowsheets of a site",
    response_class=Response,
    responses={
        200: {"model": FlowsheetList, "description": "A page of flowsheets."},
        **problem_responses(*READ_PROBLEMS),
    },
)
async def list_flowsheets(
    request: Request,
    site: SiteKey,
    limit: Limit = None,  # noqa: ARG001 - read strictly below
    cursor: Cursor = None,  # noqa: ARG001
) -> Response:
    """Give what the last version of each says of itself, in the order of their keys."""
    query = Query(request.query_params, PARAMETERS)
    wanted = paging(query, [str])
    query.done()
    found, page = await in_thread(
        request, versions.listed_latest, store_of(request), site, service.KIND, wanted
    )
    around = links(request.url, page)
    entries = [
        FlowsheetEntry(key=v.key, **entry(v, f"/v1/sites/{site}/flowsheets/{v.key}").model_dump())
        for v in found
    ]
    reply = FlowsheetList(flowsheets=entries, **around.model_dump())
    return Response(
        reply.model_dump_json(), headers=link_header(around), media_type="application/json"
    )


versioned_routes(
    router,
    Versioned(
        word="flowsheet",
        path="/{flowsheet}",
        place=_place,
        write=service.put,
        request=FlowsheetVersion,
        reply=FlowsheetReply,
        example=EXAMPLE,
    ),
)
