"""Reading and writing flowsheets."""

from __future__ import annotations

from reconcile.faults import Fault
from service.balances.intake import taken_in
from service.balances.schemas import BalanceRequest
from service.balances.terms.request import Terms, terms_of
from service.kit.conditional import Precondition
from service.kit.settings import Settings
from service.sites.service import check_key
from service.store import Store
from service.versions import service as versions
from service.versions.repository import Version
from service.versions.service import Content, Place

from .schemas import FlowsheetVersion

KIND = "flowsheet"


def _judged(version: FlowsheetVersion) -> tuple[Terms, list[Fault]]:
    """Judge a flowsheet by the terms of a request for a balance that has no readings yet."""
    request = BalanceRequest(
        flowsheet=version.flowsheet,
        error_models=version.error_models,
        causes=version.causes,
        readings=[],
    )
    terms, findings = terms_of(request)
    return terms, [fault for fault in findings if fault.code != "no-readings"]


def put(
    store: Store, place: Place, expected: Precondition, body: bytes, settings: Settings
) -> tuple[Version, bool]:
    """
    Store a new version of a flowsheet, and tell whether it is the first.

    Raises
    ------
    RefusalError
        for a faulty request, without the site, or where the last version is not the expected one.
    """
    check_key(place.key)
    request, _ = taken_in(body, settings, FlowsheetVersion, _judged)
    held = request.model_dump(
        mode="json", by_alias=True, exclude_unset=True, exclude={"valid_from", "note"}
    )
    content = Content(request.valid_from, request.note, held)
    # A flowsheet rests on nothing else of its site.
    return versions.put(store, place, expected, lambda _connection, _site: content)
