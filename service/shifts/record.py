"""
The record of a revision: what went in, what came out, and by what it was calculated.

It is kept and hashed in canonical form, so that its digest can be checked by anyone.
"""

from __future__ import annotations

import json
from typing import Any

from service.balances.service import balance
from service.kit.records import canonical, engine
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.store.columns import json_text


def result_of(request: dict[str, Any], settings: Settings) -> dict[str, Any]:
    """
    Give the balance that a request leads to, without the time that it took.

    Raises
    ------
    RefusalError
        where it leads to none.
    """
    found = balance(json_text(request).encode(), settings)
    timeless = found.solver.model_copy(update={"engine_time_ms": None})
    result: dict[str, Any] = json.loads(as_json(found.model_copy(update={"solver": timeless})))
    return result


def recorded(body: bytes, settings: Settings) -> bytes:
    """
    Calculate what is to be recorded: from the inputs as JSON to the record in canonical form.

    Raises
    ------
    RefusalError
        where there is no balance.
    """
    inputs: dict[str, Any] = json.loads(body)
    result = result_of(inputs["request"], settings)
    return canonical({**inputs, "engine": engine(), "result": result})


def calculated_anew(body: bytes, settings: Settings) -> bytes:
    """
    Calculate a record again, with the settings that it was made with: replay.

    Raises
    ------
    RefusalError
        where there is no balance now.
    """
    record: dict[str, Any] = json.loads(body)
    asked = settings.model_copy(update=record["settings"])
    inputs = {name: part for name, part in record.items() if name not in {"engine", "result"}}
    return recorded(json_text(inputs).encode(), asked)
