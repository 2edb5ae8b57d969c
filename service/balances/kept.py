"""Replies that were kept as JSON, read again: what a report is made of later on."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import BaseModel

from reconcile.faults import Fault
from service.kit.intake import fitted
from service.kit.problems import refuse_faulty

_MEMBERS = {"class": "class_", "from": "from_", "yield": "yield_"}
"""Members on the wire whose words Python keeps for itself, and their names here."""

_LATER: dict[str, Any] = {"performance": [], "care": None}
"""Members that replies of earlier versions lack, with what stands for them."""

_FREE = {"balance_request"}
"""Members that are handed on as they stand."""

_Reply = TypeVar("_Reply", bound=BaseModel)


def _renamed(document: Any, names: Mapping[str, str]) -> Any:  # noqa: ANN401 - any JSON value
    if isinstance(document, dict):
        return {
            names.get(name, name): value if name in _FREE else _renamed(value, names)
            for name, value in document.items()
        }
    return (
        [_renamed(value, names) for value in document] if isinstance(document, list) else document
    )


def reply_of(
    document: Any,  # noqa: ANN401 - any JSON value
    model: type[_Reply],
    more: Mapping[str, str] = MappingProxyType({}),
) -> _Reply:
    """
    Give a reply that was written as JSON, as the object that it was.

    Members that are not known here are passed over.

    Parameters
    ----------
    document
        the reply, as JSON was read.
    model
        of which reply.
    more
        further members whose names on the wire differ from those in the model.

    Raises
    ------
    RefusalError
        422, with what keeps it from being a reply of this version.
    """
    names = {**_MEMBERS, **more}
    whole = {**_LATER, **document} if isinstance(document, dict) else document
    found, faults = fitted(_renamed(whole, names), model, {})
    if found is None:
        raise refuse_faulty([_on_the_wire(fault, names) for fault in faults])
    return found


def _on_the_wire(fault: Fault, names: Mapping[str, str]) -> Fault:
    wire = {here: name for name, here in names.items()}
    where = tuple(wire.get(part, part) if isinstance(part, str) else part for part in fault.where)
    return Fault(where, fault.code, fault.what, fault.mend)
