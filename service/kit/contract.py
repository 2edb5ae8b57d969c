"""The OpenAPI document: what the framework cannot tell by itself, put in one place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from .gate import ALWAYS_OPEN
from .problems import BODY_TOO_SLOW, MEDIA_TYPE, STOPPING, Kind, Problem

_REF = "#/components/schemas/{model}"

# The framework's own error form, which no reply of this service ever has.
_UNUSED = ("HTTPValidationError", "ValidationError")

OpenApi = dict[str, Any]


def problem_responses(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """Give the responses of an operation that may end in these kinds of problem."""
    by_status: dict[int | str, list[Kind]] = defaultdict(list)
    for kind in kinds:
        by_status[kind.status].append(kind)
    return {
        status: {
            "description": "; or: ".join(kind.title for kind in alike) + ".",
            "content": {MEDIA_TYPE: {"schema": {"$ref": _REF.format(model="Problem")}}},
        }
        for status, alike in by_status.items()
    }


def other_contents(words: Mapping[str, str]) -> dict[str, Any]:
    """Give the content of a response in further forms, by media type, with what each is."""
    return {
        kind: {"schema": {"type": "string", "description": said}} for kind, said in words.items()
    }


def request_body(model: type[BaseModel], example: object) -> OpenApi:
    """Give the request body of an operation that reads its JSON itself."""
    return {
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": {"$ref": _REF.format(model=model.__name__)},
                    "example": example,
                }
            },
        }
    }


def _schemas(requests: list[type[BaseModel]]) -> OpenApi:
    wanted = [(model, "validation") for model in requests]
    _, definitions = models_json_schema(
        [*wanted, (Problem, "serialization")],  # type: ignore[list-item]
        ref_template=_REF,
    )
    schemas: OpenApi = definitions["$defs"]
    return schemas


NEEDED = "x-needed"
"""Marks in its schema a parameter that must be there; routes read it themselves, as all of them."""


def _with_needed(document: OpenApi) -> OpenApi:
    for operations in document["paths"].values():
        for operation in operations.values():
            for parameter in operation.get("parameters", ()):
                if parameter["schema"].pop(NEEDED, False):
                    parameter["required"] = True
    return document


def _without_unused(document: OpenApi) -> OpenApi:
    for operations in document["paths"].values():
        for operation in operations.values():
            response = operation["responses"].get("422", {})
            if "HTTPValidationError" in str(response):
                del operation["responses"]["422"]
    for name in _UNUSED:
        document["components"]["schemas"].pop(name, None)
    return document


def may_end(operation: OpenApi, *kinds: Kind) -> None:
    """Add to an operation of the document the problems in which it may end as well."""
    responses = operation["responses"]
    for status, response in problem_responses(*kinds).items():
        known = responses.get(str(status))
        if known is None:
            responses[str(status)] = response
        else:
            known["description"] = f"{known['description'][:-1]}; or: {response['description']}"
    operation["responses"] = dict(sorted(responses.items()))


def _with_what_middleware_answers(document: OpenApi) -> OpenApi:
    """Add what no route answers by itself: a service that stops, a body that does not arrive."""
    for path, operations in document["paths"].items():
        for operation in operations.values():
            if path not in ALWAYS_OPEN:
                may_end(operation, STOPPING)
            if "requestBody" in operation:
                may_end(operation, BODY_TOO_SLOW)
    return document


def install(
    app: FastAPI, requests: list[type[BaseModel]], complete: Callable[[OpenApi], OpenApi]
) -> None:
    """Make ``app.openapi()`` give the whole contract, these request models included, completed."""

    def whole() -> OpenApi:
        if app.openapi_schema is None:
            document = get_openapi(
                title=app.title,
                version=app.version,
                openapi_version=app.openapi_version,
                summary=app.summary,
                description=app.description,
                routes=app.routes,
                tags=app.openapi_tags,
                license_info=app.license_info,
            )
            schemas = document.setdefault("components", {}).setdefault("schemas", {})
            schemas.update(_schemas(requests))
            document["components"]["schemas"] = dict(sorted(schemas.items()))
            document = _with_needed(_without_unused(document))
            app.openapi_schema = complete(_with_what_middleware_answers(document))
        return app.openapi_schema

    app.openapi = whole  # type: ignore[method-assign]
