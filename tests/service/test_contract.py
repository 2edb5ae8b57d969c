"""The contract as checked in is the contract as served, complete and readable offline."""

import json
import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator

from service.app import contract_text
from service.kit.problems import KINDS
from service.version import VERSION

from .client import EXAMPLE_NAMES, ROOT, ask, example, minimal, post

DOCUMENT: dict[str, Any] = json.loads(contract_text())
SCHEMAS: dict[str, Any] = DOCUMENT["components"]["schemas"]


def _properties() -> Iterator[tuple[str, dict[str, Any]]]:
    for name, schema in SCHEMAS.items():
        for member, described in schema.get("properties", {}).items():
            yield f"{name}.{member}", described


def _validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(
        {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    )


def test_the_contract_checked_in_is_the_one_served() -> None:
    """After a change: python -m service.app > openapi/openapi.json."""
    checked_in = (ROOT / "openapi" / "openapi.json").read_text(encoding="utf-8")

    assert contract_text() == checked_in
    assert json.loads(checked_in) == ask("GET", "/openapi.json").json()


def test_the_contract_is_openapi_3_1() -> None:
    """The version of the standard is 3.1."""
    assert DOCUMENT["openapi"].startswith("3.1.")


def test_the_version_is_that_of_the_project() -> None:
    """The version stands in two files, which agree."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

    assert project["version"] == VERSION == DOCUMENT["info"]["version"]


@pytest.mark.parametrize(("where", "described"), list(_properties()), ids=lambda p: str(p)[:60])
def test_every_field_is_described_with_an_example(where: str, described: dict[str, Any]) -> None:
    """Each field of the contract has a description that is a sentence, and an example."""
    assert described["description"].strip().endswith("."), where
    assert described["examples"], where


def test_the_errors_of_the_framework_are_not_in_the_contract() -> None:
    """Every error of the contract is a problem; no other form is left over."""
    assert "ValidationError" not in json.dumps(DOCUMENT)
    for path, operations in DOCUMENT["paths"].items():
        for operation in operations.values():
            for status, reply in operation["responses"].items():
                if status >= "4":
                    assert ["application/problem+json"] == list(reply["content"]), (path, status)


def test_the_unit_codes_are_documented() -> None:
    """Each unit of the wire stands with its UCUM code in the contract."""
    text = SCHEMAS["ReadingObject"]["properties"]["unit"]["description"]

    for code in ("[ppm]", "[ppb]", "[lb_av]", "t/h", "g/t"):
        assert code in text


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_examples_and_their_replies_keep_to_the_contract(name: str) -> None:
    """An independent reader of JSON Schema finds nothing wrong with request or reply."""
    _validator("BalanceRequest").validate(example(name))
    _validator("BalanceReply").validate(post(example(name)).json())


def test_problems_keep_to_the_contract() -> None:
    """Problems are as described, with those members that apply."""
    _validator("Problem").validate(post({"flowsheet": 3}).json())
    _validator("Problem").validate(post("{").json())


def test_the_schema_refuses_what_the_service_refuses() -> None:
    """The schema is strict about members and types, so that callers can check beforehand."""
    for member, value in (("readings", {}), ("more", 1), ("title", 5)):
        assert not _validator("BalanceRequest").is_valid(minimal() | {member: value})
    assert _validator("BalanceRequest").is_valid(minimal())


def test_the_examples_within_the_contract_keep_to_it() -> None:
    """The request shown in the interactive documentation can be sent as it is."""
    body = DOCUMENT["paths"]["/v1/balances"]["post"]["requestBody"]["content"]["application/json"]

    assert 200 == post(body["example"]).status_code


def test_each_status_of_a_problem_is_in_the_contract() -> None:
    """What the balances may answer is all written down."""
    told = set(DOCUMENT["paths"]["/v1/balances"]["post"]["responses"])

    only_elsewhere = {"404", "405", "409", "412", "428"}
    assert {str(kind.status) for kind in KINDS.values()} - only_elsewhere == told - {"200"}


def test_the_interactive_documentation_needs_no_network() -> None:
    """The page refers to this service only, and everything it refers to is there."""
    page = ask("GET", "/docs").text
    assets = re.findall(r"(?:src|href)=\"([^\"]+)\"", page)

    assert assets
    assert not re.search(r"https?://|\"//", page)
    for asset in assets:
        assert asset.startswith("/")
        assert 200 == ask("GET", asset).status_code
    assert '"validatorUrl": null' in page


def test_the_style_of_the_documentation_loads_nothing_more() -> None:
    """The style sheet holds no address outside itself."""
    style = ask("GET", "/docs/assets/swagger-ui.css").text

    assert [] == re.findall(r"(?:url\(|@import\s+)[\"']?(?:https?:)?//[^)\"']+", style)
