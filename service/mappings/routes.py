"""The resource /v1/sites/{site}/mapping."""

from __future__ import annotations

from fastapi import APIRouter

from service.sites.routes import SiteKey
from service.versions.routes import Versioned, versioned_routes
from service.versions.service import Place

from . import service
from .schemas import EXAMPLE, MappingReply, MappingVersion

router = APIRouter(prefix="/v1/sites/{site}", tags=["mapping"])


def _place(site: SiteKey) -> Place:
    return Place(site, service.KIND)


versioned_routes(
    router,
    Versioned(
        word="mapping",
        path="/mapping",
        place=_place,
        write=service.put,
        request=MappingVersion,
        reply=MappingReply,
        example=EXAMPLE,
    ),
)
