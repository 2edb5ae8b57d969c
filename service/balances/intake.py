"""
From the bytes of a request to what the engine takes, or every fault at once.

A request is judged in two passes.  The schema finds wrong types, missing and unknown members.
The request is then put into the engine's terms, with stand-ins in the places that could not be
read, so that a slip of type in one place does not hide a slip of sense in another.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from reconcile.faults import Fault
from service.kit.intake import document_of, fitted, order
from service.kit.problems import refuse_faulty, refuse_large
from service.kit.settings import Settings
from service.kit.wire_faults import Advice

from .advice import UNTAKEN_MEMBERS
from .doubt import standing
from .repair import Request, repaired, unread
from .schemas import BalanceRequest, FlowsheetObject
from .size import faults_of_size
from .terms.again import AGAIN
from .terms.request import Terms, terms_of
from .terms.seen import SEEN

InTerms = TypeVar("InTerms")

_FLOWSHEET = "flowsheet"


@dataclass(frozen=True, slots=True)
class Intake:
    """A request that can be calculated."""

    request: BalanceRequest
    terms: Terms


def merged(first: list[Fault], second: list[Fault]) -> list[Fault]:
    """
    Put two lists of faults together in the order of their places.

    Where a value could not be read nothing further can be said about it, so of the second
    list only what lies outside such places is kept.
    """
    hidden = unread(first)
    rest = [fault for fault in second if not hidden.hides(fault.where)]
    once = {(fault.where, fault.code): fault for fault in (*rest, *first)}
    return sorted(once.values(), key=order)


def take_in(body: bytes, settings: Settings) -> Intake:
    """
    Read and check a request for a balance.

    Raises
    ------
    RefusalError
        with every fault found: malformed JSON, or an invalid request.
    """
    again = AGAIN.take(body, settings, SEEN)
    if again is not None:
        return Intake(*again)
    request, terms = taken_in(body, settings, BalanceRequest, terms_of)
    AGAIN.keep(body, request, settings)
    return Intake(request, terms)


def taken_in(
    body: bytes,
    settings: Settings,
    model: type[Request],
    judged: Callable[[Request], tuple[InTerms, list[Fault]]],
    advice: Advice = UNTAKEN_MEMBERS,
) -> tuple[Request, InTerms]:
    """
    Read and check a request of any model; ``judged`` puts it into terms and finds what is wrong.

    ``advice`` answers members that people try and that are not taken.

    Raises
    ------
    RefusalError
        as :func:`take_in`.
    """
    if len(body) > settings.body_limit_bytes:
        raise refuse_large(settings.body_limit_bytes)
    document = document_of(body)
    too_large = faults_of_size(document.value, settings)
    if too_large or document.ended_early:
        raise refuse_faulty(merged(document.faults, too_large))
    text = None if document.faults else _flowsheet_text(document.value)
    known = None if text is None else SEEN.wire(text)
    request, of_schema = _fitted(document.value, model, advice, known)
    faults = merged(document.faults, of_schema)
    readable = repaired(document.value, faults, model) if faults else request
    terms = None
    if readable is not None:
        terms, findings = judged(readable)
        faults = merged(faults, standing(findings, unread(faults)))
    if faults or request is None or terms is None:
        raise refuse_faulty(faults)
    flowsheet = getattr(request, _FLOWSHEET, None)
    if text is not None and isinstance(flowsheet, FlowsheetObject):
        SEEN.keep(text, flowsheet)
    return request, terms


def _flowsheet_text(document: Any) -> str | None:  # noqa: ANN401 - any JSON value
    """Give the text by which the flowsheet of a request is known again, if it has one."""
    found = document.get(_FLOWSHEET) if isinstance(document, dict) else None
    return None if found is None else json.dumps(found, separators=(",", ":"))


def _fitted(
    document: Any,  # noqa: ANN401 - any JSON value
    model: type[Request],
    advice: Advice,
    known: FlowsheetObject | None,
) -> tuple[Request | None, list[Fault]]:
    """Fit a request to its schema; a flowsheet that was read before is not read again."""
    if known is not None:
        request, faults = fitted(document | {_FLOWSHEET: known}, model, advice)
        if request is not None and not faults:
            return request, faults
    return fitted(document, model, advice)
