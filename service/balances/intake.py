"""
From the bytes of a request to what the engine takes, or every fault at once.

A request is judged in two passes.  The schema finds wrong types, missing and unknown members.
The request is then put into the engine's terms, with stand-ins in the places that could not be
read, so that a slip of type in one place does not hide a slip of sense in another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import ValidationError

from reconcile.faults import Fault
from service.kit import strict_json, wire_faults
from service.kit.problems import (
    MALFORMED,
    RefusalError,
    problem_of,
    refuse_faulty,
    refuse_large,
)
from service.kit.settings import Settings

from .advice import UNTAKEN_MEMBERS
from .doubt import standing
from .repair import Request, repaired, unread
from .schemas import BalanceRequest
from .size import faults_of_size
from .terms.request import Terms, terms_of

InTerms = TypeVar("InTerms")


@dataclass(frozen=True, slots=True)
class Intake:
    """A request that can be calculated."""

    request: BalanceRequest
    terms: Terms


def _document(body: bytes) -> strict_json.Document:
    try:
        return strict_json.read(body)
    except strict_json.NotJsonError as error:
        problem = problem_of(MALFORMED, error.fault.what, [error.fault])
        place = {"line": error.line, "column": error.column}
        raise RefusalError(MALFORMED, problem.model_copy(update=place)) from error


def _schema_faults(
    document: Any,  # noqa: ANN401 - any JSON value
    model: type[Request],
) -> tuple[Request | None, list[Fault]]:
    try:
        return model.model_validate(document), []
    except ValidationError as error:
        return None, wire_faults.faults_of(error, document, model, UNTAKEN_MEMBERS)


def _order(fault: Fault) -> tuple[tuple[bool, int | str], ...]:
    return tuple((isinstance(part, str), part) for part in fault.where)


def merged(first: list[Fault], second: list[Fault]) -> list[Fault]:
    """
    Put two lists of faults together in the order of their places.

    Where a value could not be read nothing further can be said about it, so of the second
    list only what lies outside such places is kept.
    """
    hidden = unread(first)
    rest = [fault for fault in second if not hidden.hides(fault.where)]
    once = {(fault.where, fault.code): fault for fault in (*rest, *first)}
    return sorted(once.values(), key=_order)


def take_in(body: bytes, settings: Settings) -> Intake:
    """
    Read and check a request for a balance.

    Raises
    ------
    RefusalError
        with every fault found: malformed JSON, or an invalid request.
    """
    return Intake(*taken_in(body, settings, BalanceRequest, terms_of))


def taken_in(
    body: bytes,
    settings: Settings,
    model: type[Request],
    judged: Callable[[Request], tuple[InTerms, list[Fault]]],
) -> tuple[Request, InTerms]:
    """
    Read and check a request of any model; ``judged`` puts it into terms and finds what is wrong.

    Raises
    ------
    RefusalError
        as :func:`take_in`.
    """
    if len(body) > settings.body_limit_bytes:
        raise refuse_large(settings.body_limit_bytes)
    document = _document(body)
    too_large = faults_of_size(document.value, settings)
    if too_large or document.ended_early:
        raise refuse_faulty(merged(document.faults, too_large))
    request, of_schema = _schema_faults(document.value, model)
    faults = merged(document.faults, of_schema)
    readable = repaired(document.value, faults, model) if faults else request
    terms = None
    if readable is not None:
        terms, findings = judged(readable)
        faults = merged(faults, standing(findings, unread(faults)))
    if faults or request is None or terms is None:
        raise refuse_faulty(faults)
    return request, terms
