"""The report of a kept balance: that of the balance, with which shift and revision it is of."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from service.balances.kept import reply_of
from service.balances.reply import BalanceReply
from service.balances.report import document_of
from service.kit.accept import wanted_kind
from service.kit.calculations import Calculations
from service.kit.conditional import conditional_response, is_known
from service.kit.media import JSON
from service.kit.problems import NOT_FOUND, refuse
from service.kit.settings import Settings
from service.report.document import Document
from service.report.doors import Reporting
from service.report.forms import FORMS, written
from service.store.columns import json_text

_VARY = {"Vary": "Accept"}


def report_of(told: dict[str, Any]) -> Document:
    """Give the report of a balance of a shift as the service tells it."""
    shift, signature = told["shift"], told["signature"]
    facts = [
        ("Site", told["site"]),
        ("Shift", f"{shift['key']}, {shift['start']} to {shift['end']}"),
        ("Revision", f"{told['revision']}, {told['standing']}"),
        ("Digest", told["digest"]),
    ]
    if told["stale"]:
        facts.append(("Newer readings", "some came that are not in it"))
    if signature is not None and signature["revision"] == told["revision"]:
        facts.append(("Signed by", f"{signature['person']}, {signature['at']}"))
    whole = document_of(reply_of(told["balance"], BalanceReply))
    title = f"Balance of '{told['flowsheet']}', shift {shift['key']}"
    return replace(whole, title=title, facts=tuple(facts))


def shift_report(body: bytes, settings: Settings, media_type: str) -> bytes:  # noqa: ARG001
    """Give the report of a balance of a shift from its JSON; a calculation like any other."""
    return written(report_of(json.loads(body)), media_type)


async def told_response(
    request: Request, told: dict[str, Any], etag: str, report: Reporting = shift_report
) -> Response:
    """
    Answer a read of a kept balance in the form that is accepted, with an ETag of that form.

    ``report`` makes the other forms of its JSON.

    Raises
    ------
    RefusalError
        406 where no form would do, 404 where a report is asked for and there is no balance.
    """
    kind = wanted_kind(request.headers, (JSON, *FORMS))
    if kind == JSON:
        response = conditional_response(request.headers, etag, json_text(told))
        response.headers.update(_VARY)
        return response
    own = f'{etag[:-1]}{FORMS[kind].ending}"'
    if is_known(request.headers, own):
        return Response(status_code=304, headers={"ETag": own, **_VARY})
    if told["balance"] is None:
        raise refuse(NOT_FOUND, "The readings led to no balance, so there is no report of one.")
    calculations: Calculations = request.app.state.calculations
    work = partial(report, media_type=kind)
    content = await calculations.run(work, json_text(told).encode())
    return Response(content, headers={"ETag": own, **_VARY}, media_type=kind)
