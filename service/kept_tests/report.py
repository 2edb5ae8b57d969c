"""The report of a kept test: that of the test, with which revision it is of."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from service.kit.settings import Settings
from service.report.document import Document
from service.report.forms import written
from service.tests.report import document_of, reply_of


def report_of(told: dict[str, Any]) -> Document:
    """Give the report of a kept test as the service tells it."""
    whole = document_of(reply_of(told["balance"]))
    corrected = (("Corrected by", f"{told['person']}: {told['reason']}"),) if told["person"] else ()
    kept = (
        ("Site", told["site"]),
        ("Revision", f"{told['revision']} of {told['newest']}, kept {told['made_at']}"),
        *corrected,
        ("Digest", told["digest"]),
    )
    return replace(whole, facts=(*whole.facts, *kept))


def kept_test_report(body: bytes, settings: Settings, media_type: str) -> bytes:  # noqa: ARG001
    """Give the report of a kept test from its JSON; a calculation like any other."""
    return written(report_of(json.loads(body)), media_type)
