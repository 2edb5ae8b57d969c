"""A request that can be judged for its sense although some places of it cannot be read."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from reconcile.faults import Fault, Where
from service.kit import wire_faults

Request = TypeVar("Request", bound=BaseModel)

MARK = "\uf8ff"
"""Begins names that stand in for unreadable ones: a private character, which no one uses."""

_ROUNDS = 12  # each takes away what the one before laid bare

# Faults that leave the place itself readable.
_LEFT_AS_IT_IS = frozenset({"duplicate-member"})
_HARMLESS = _LEFT_AS_IT_IS | {"unknown-field", "member-name-too-long"}

# Lists whose entries keep their places, by what may stand in for an entry.
_ENTRIES = {"nodes": True, "streams": True, "components": True, "analytes": True, "readings": False}
_ENTRIES |= {"heads": True, "passes": True, "products": True}  # of a test sheet

_NEEDED: dict[Where, Any] = {
    ("flowsheet",): {"nodes": [], "streams": []},
    ("flowsheet", "nodes"): [],
    ("flowsheet", "streams"): [],
    ("readings",): [],
    ("valid_from",): "2000-01-01T00:00:00Z",
}


@dataclass(frozen=True)
class Unread:
    """
    The places of a request that could not be read.

    ``places`` cannot be read themselves; ``touched`` are they and all that holds them, places with
    unknown members included.
    """

    places: frozenset[Where]
    touched: frozenset[Where]

    def hides(self, where: Where) -> bool:
        """Say whether a place is one of these or inside one."""
        return bool(self.places) and any(where[:n] in self.places for n in range(len(where) + 1))


def unread(faults: Iterable[Fault]) -> Unread:
    """Give the places that cannot be read because of these faults."""
    faults = list(faults)
    return Unread(
        frozenset(f.where for f in faults if f.code not in _HARMLESS),
        frozenset(f.where[:n] for f in faults for n in range(len(f.where) + 1)),
    )


def repaired(
    document: Any,  # noqa: ANN401 - any JSON value
    faults: Iterable[Fault],
    model: type[Request],
) -> Request | None:
    """
    Give the request with unreadable members left out and stand-ins for unreadable names.

    Entries keep their places.  None where nothing of the kind can be made.
    """
    if not isinstance(document, dict):
        return None
    copy = deepcopy(document)
    wrong = [f.where for f in faults if f.code not in _LEFT_AS_IT_IS]
    for _ in range(_ROUNDS):
        # From the end, so that what is taken away moves nothing that is still to be found.
        for where in sorted(set(wrong), key=_from_the_end):
            _mend(copy, where)
        try:
            return model.model_validate(copy)
        except ValidationError as error:
            wrong = [f.where for f in wire_faults.faults_of(error, copy, model, {})]
    return None


def _from_the_end(where: Where) -> tuple[int, str]:
    return -len(where), str(where)


def _at(document: Any, where: Where) -> Any:  # noqa: ANN401 - any JSON value
    for part in where:
        held = isinstance(document, dict) and part in document
        listed = isinstance(document, list) and isinstance(part, int) and part < len(document)
        if not held and not listed:
            return None
        document = document[part]
    return document


def _mend(document: Any, where: Where) -> None:  # noqa: ANN401 - any JSON value
    """Take an unreadable place away, or put in its place what can stand there."""
    if not where:
        return
    holder, last = _at(document, where[:-1]), where[-1]
    if isinstance(holder, list) and isinstance(last, int) and last < len(holder):
        _mend_entry(document, holder, where)
    elif not isinstance(holder, dict):
        _mend(document, where[:-1])
    elif where in _NEEDED or last == "name":
        needed = _NEEDED.get(where)
        holder[last] = _stand_in(where[:-1]) if needed is None else deepcopy(needed)
    elif last in holder:
        del holder[last]
    else:
        _mend(document, where[:-1])


def _mend_entry(document: Any, holder: list[Any], where: Where) -> None:  # noqa: ANN401
    """Put a stand-in for an entry of a list, or give the list up where none can be made."""
    named = _ENTRIES.get(str(where[-2])) if len(where) > 1 else None
    if named is None:
        _mend(document, where[:-1])
    else:
        holder[int(where[-1])] = {"name": _stand_in(where)} if named else {"value": None}


def _stand_in(where: Where) -> str:
    kind = next((str(part) for part in reversed(where) if isinstance(part, str)), "name")
    number = next((part for part in reversed(where) if isinstance(part, int)), 0)
    return f"{MARK}{kind.removesuffix('s')} number {int(number) + 1}"
