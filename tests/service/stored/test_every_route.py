"""Every route of the contract, asked with whatever the contract allows."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.app import contract_text, create_app
from service.kit.settings import Settings
from tests import databases

from . import plant

CHECKS = [
    not_a_server_error,
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
]
OPERATIONS = [
    (path, method)
    for path, operations in json.loads(contract_text())["paths"].items()
    for method in operations
    if path != "/readyz"  # without a server there are no workers, and it says so: 503
]


@pytest.fixture(scope="module")
def contract() -> Iterator[schemathesis.BaseSchema]:
    """Give the contract of a service with a plant, bound to it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        databases.database("sqlite", Path(folder), plant.fill) as url,
    ):
        app = create_app(Settings(database_url=url, time_budget_s=2))
        yield schemathesis.openapi.from_asgi("/openapi.json", app)
        app.state.store.close()


@pytest.mark.parametrize(("path", "method"), OPERATIONS, ids=[" ".join(o) for o in OPERATIONS])
def test_no_route_fails_or_breaks_the_contract(
    contract: schemathesis.BaseSchema, path: str, method: str
) -> None:
    """No 5xx, and every reply has a status, a media type and a form that the contract names."""
    cases = contract[path][method.upper()].as_strategy()

    @settings(
        max_examples=8,
        deadline=None,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases)
    def answered(case: schemathesis.Case) -> None:
        case.call_and_validate(checks=CHECKS)

    answered()
