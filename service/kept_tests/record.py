"""
The record of a revision of a test: the sheet, what came out, and by what it was calculated.

It has no ids and no times, so that the same sheet gives the same digest wherever it is sent.
"""

from __future__ import annotations

import json
from typing import Any

from service.kit.media import JSON
from service.kit.records import canonical, digest_of, engine
from service.kit.replies import as_bytes
from service.kit.settings import Settings
from service.tests.reply import TestReply
from service.tests.service import reconcile_test
from service.tests.spreadsheet.service import through

FORM = 1
"""Form of the record; a later one has another number."""


def recorded(content: bytes, settings: Settings, kind: str) -> bytes:
    """
    Reconcile a sheet and give the record in canonical form.

    Parameters
    ----------
    content
        the sheet as it came.
    settings
        limits, which are part of what it was calculated with.
    kind
        media type of the sheet.

    Raises
    ------
    RefusalError
        if the sheet is faulty, or has no balance.
    """

    def record(body: bytes, within: Settings) -> bytes:
        result = _timeless(reconcile_test(body, within))
        return canonical(
            {
                "form": FORM,
                "sheet": {
                    "media_type": kind,
                    "digest": digest_of(content),
                    "document": json.loads(body.decode("utf-8-sig")),
                },
                "settings": {
                    "time_budget_s": within.time_budget_s,
                    "memory_budget_mb": within.memory_budget_mb,
                },
                "engine": engine(),
                "result": result,
            }
        )

    return record(content, settings) if kind == JSON else through(content, settings, kind, record)


def _timeless(reply: TestReply) -> dict[str, Any]:
    """Give a reply without the time that it took, which is never the same twice."""
    solver = reply.solver.model_copy(update={"engine_time_ms": None})
    result: dict[str, Any] = json.loads(as_bytes(reply.model_copy(update={"solver": solver})))
    return result


def summary_of(record: dict[str, Any]) -> dict[str, Any]:
    """Give what a list tells of a revision."""
    result = record["result"]
    test, evidence = result["test"] or {}, result["evidence"] or {}
    return {
        "outcome": result["outcome"],
        "degrees_of_freedom": test.get("degrees_of_freedom"),
        "p_value": test.get("p_value"),
        "findings": [finding["statement"] for finding in evidence.get("findings", [])],
        "engine": record["engine"]["evenlode"],
    }
