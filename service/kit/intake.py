"""From the bytes of a request to an object of its schema, or every fault at once."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from reconcile.faults import Fault

from . import strict_json, wire_faults
from .problems import MALFORMED, RefusalError, problem_of, refuse_faulty
from .wire_faults import Advice

_Model = TypeVar("_Model", bound=BaseModel)


def document_of(body: bytes) -> strict_json.Document:
    """
    Read a body as JSON.

    Raises
    ------
    RefusalError
        400 where it is none.
    """
    try:
        return strict_json.read(body)
    except strict_json.NotJsonError as error:
        problem = problem_of(MALFORMED, error.fault.what, [error.fault])
        place = {"line": error.line, "column": error.column}
        raise RefusalError(MALFORMED, problem.model_copy(update=place)) from error


def fitted(
    document: Any,  # noqa: ANN401 - any JSON value
    model: type[_Model],
    advice: Advice,
) -> tuple[_Model | None, list[Fault]]:
    """Give a document as an object of its schema, or what the schema finds wrong with it."""
    try:
        return model.model_validate(document), []
    except ValidationError as error:
        return None, wire_faults.faults_of(error, document, model, advice)


def order(fault: Fault) -> tuple[tuple[bool, int | str], ...]:
    """Give the key by which faults stand in the order of their places."""
    return tuple((isinstance(part, str), part) for part in fault.where)


def read_request(body: bytes, model: type[_Model], advice: Advice) -> _Model:
    """
    Read a request that its schema alone judges.

    Raises
    ------
    RefusalError
        400 or 422, with every fault found.
    """
    document = document_of(body)
    if document.ended_early:
        raise refuse_faulty(document.faults)
    found, faults = fitted(document.value, model, advice)
    told = {fault.where for fault in document.faults}
    faults = [*document.faults, *(f for f in faults if f.where not in told)]
    if found is None or faults:
        raise refuse_faulty(sorted(faults, key=order))
    return found
