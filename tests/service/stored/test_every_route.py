"""Every route of the contract, asked with whatever the contract allows."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.python.asgi import shutdown_lifespans
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.access import service as access
from service.app import contract_text, create_app
from service.kit.caller import Scope
from service.kit.settings import Settings
from tests import databases
from tests.service.client import JSON, ask

from . import plant

CHECKS = [
    not_a_server_error,
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
]
PATIENCE_S = 60
"""Longest wait for a reply; the first calculation may have to compile."""

OPERATIONS = [
    (path, method, is_there)
    for path, operations in json.loads(contract_text())["paths"].items()
    for method in operations
    for is_there in ([True, False] if "{" in path else [False])
    if path != "/readyz"  # without a server there are no workers, and it says so: 503
]


_SPAN = {"from": "2026-02-01T00:00:00Z", "to": "2026-03-01T00:00:00Z"}
_STANDINGS: list[dict[str, object]] = [
    {"tag": "WIT-101", "composite": _SPAN},
    {"tag": "WIT-101", "value": -1},
    {"tag": "WIT-101", "value": None},
    {"tag": "N", "unit": "%", "status": "preliminary", "sd": 0.1, "step": 0.1},
    {"sample_point": "FEED-A", "analyte": "Sn", "value": None, "replicates": [1, 2]},
    {"sample_point": "FEED-A", "analyte": "Sn", "sample": "F", "note": "Invented."},
]


def _reading(app: FastAPI) -> str:
    """Post readings of every standing, so that lists have something to tell, and give one's id."""
    lines = [
        {"source": "s", "time": f"2026-03-0{n}T00:00:00Z", "value": 1.0} | more
        for n, more in enumerate(_STANDINGS, 1)
    ]
    body = json.dumps({"readings": lines})
    reply = ask("POST", f"{plant.SITE}/readings", app=app, content=body, headers=JSON)
    told = reply.json()["lines"]
    assert len(lines) == len({line["reading"] for line in told}), reply.text
    return str(told[0]["reading"])


@dataclass(frozen=True)
class Asked:
    """The contract bound to a service with a plant, a key that opens all, and what is there."""

    contract: schemathesis.BaseSchema
    key: str
    there: dict[str, object]


@pytest.fixture(scope="module")
def asked() -> Iterator[Asked]:
    """Give a service with a plant to ask."""
    with (
        tempfile.TemporaryDirectory() as folder,
        databases.database("sqlite", Path(folder), plant.fill) as url,
    ):
        app = create_app(Settings(database_url=url, time_budget_s=20))
        there = {"site": "tin-shed", "flowsheet": "main", "version": 1, "reading": _reading(app)}
        contract = schemathesis.openapi.from_asgi("/openapi.json", app)
        yield Asked(contract, access.create(app.state.store, "all", Scope), there)
        # Else what runs beside the routes would go on, without the database.
        shutdown_lifespans()
        app.state.store.close()


@pytest.mark.parametrize(
    ("path", "method", "is_there"), OPERATIONS, ids=[f"{m} {p} {t}" for p, m, t in OPERATIONS]
)
def test_no_route_fails_or_breaks_the_contract(
    asked: Asked, path: str, method: str, is_there: bool
) -> None:
    """No 5xx, and every reply has a status, a media type and a form that the contract names."""
    met: set[int] = set()

    @settings(
        max_examples=5,
        deadline=None,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=asked.contract[path][method.upper()].as_strategy())
    def answered(case: schemathesis.Case) -> None:
        if is_there:
            names = case.path_parameters or {}
            case.path_parameters = names | {k: v for k, v in asked.there.items() if k in names}
        headers = {"Authorization": f"Bearer {asked.key}"}
        reply = case.call_and_validate(checks=CHECKS, headers=headers, timeout=PATIENCE_S)
        met.add(reply.status_code)

    answered()

    assert not met & {401, 403}
    if is_there and set(re.findall(r"{(\w+)}", path)) <= set(asked.there):
        assert met - {404}
