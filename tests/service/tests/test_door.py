"""The door of laboratory tests keeps to its contract."""

from __future__ import annotations

import json
from typing import Any

import jsonschema_rs
import pytest

from service.app import contract_text
from tests.service.client import JSON, ask

from .sheets import EXAMPLES, minimal, parted

DOCUMENT = json.loads(contract_text())


def _validator(name: str) -> Any:
    return jsonschema_rs.Draft202012Validator(
        {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    )


def _post(sheet: object) -> Any:
    return ask("POST", "/v1/tests", content=json.dumps(sheet), headers=JSON).json()


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.json")), ids=lambda p: p.stem)
def test_examples_and_their_replies_keep_to_the_contract(path: Any) -> None:
    """An independent reader of JSON Schema finds nothing wrong with sheet or reply."""
    sheet = json.loads(path.read_text(encoding="utf-8"))

    _validator("TestSheet").validate(sheet)
    _validator("TestReply").validate(_post(sheet))


def test_short_ways_of_writing_are_in_the_contract() -> None:
    """Names for lots, numbers for results, a name for a tare: all as the service takes them."""
    _validator("TestSheet").validate(minimal())
    _validator("TestSheet").validate(parted())
    for change in ({"passes": [{"fed": 3}]}, {"heads": {}}, {"more": 1}):
        assert not _validator("TestSheet").is_valid(minimal() | change)


def test_the_contract_tells_every_problem_of_the_door() -> None:
    """A test may end as a balance may."""
    paths = DOCUMENT["paths"]

    assert set(paths["/v1/balances"]["post"]["responses"]) == set(
        paths["/v1/tests"]["post"]["responses"]
    )
