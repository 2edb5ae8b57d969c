"""Replies that were kept as JSON, read again: what a report is made of later on."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel

from service.kit.intake import fitted
from service.kit.problems import refuse_faulty

_LATER: dict[str, Any] = {"performance": [], "care": None}
"""Members that replies of earlier versions lack, with what stands for them."""

_Reply = TypeVar("_Reply", bound=BaseModel)


def reply_of(
    document: Any,  # noqa: ANN401 - any JSON value
    model: type[_Reply],
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

    Raises
    ------
    RefusalError
        422, with what keeps it from being a reply of this version.
    """
    whole = {**_LATER, **document} if isinstance(document, dict) else document
    found, faults = fitted(whole, model, {})
    if found is None:
        raise refuse_faulty(faults)
    return found
