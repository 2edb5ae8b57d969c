"""
A JSON reader that takes only what RFC 8259 and I-JSON (RFC 7493) allow.

It refuses NaN and Infinity, numbers a double cannot hold, duplicate member names, lone
surrogates, bytes that are not UTF-8 and nesting beyond reason, and says where each is.
"""

from __future__ import annotations

import codecs
import json
import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import orjson

from reconcile.faults import Fault, Where

DEEPEST = 32
"""Deepest nesting read; a request of ours needs four levels."""

LONGEST_MEMBER_NAME = 200
"""Longest member name read; longer ones are never ours and would only swell the reply."""

MOST_MEMBERS = 64
"""Most members of one object; ours have a dozen."""

MOST_CONTAINERS = 200_000
"""Most objects and lists in one document; a request of 50,000 readings has a few more."""

MOST_FAULTS = 1000
"""The search for faults ends at so many: more would help nobody mend the request."""

_POINTERS_KEPT = 8192  # places of readings come again with every request

_SHORT_BODY = MOST_CONTAINERS  # as many bytes cannot hold more objects and lists than allowed

_MOST_INTEGER_DIGITS = 310  # the largest double has 309 digits before the point

Path = Where


class NotJsonError(ValueError):
    """The body is not JSON at all; ``fault`` says why, with line and column where known."""

    def __init__(self, fault: Fault, line: int | None = None, column: int | None = None) -> None:
        self.fault = fault
        self.line = line
        self.column = column
        super().__init__(fault.what)


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Stands in the document where a number could not be taken; the faults say why."""

    code: str
    what: str
    mend: str


@dataclass(frozen=True, slots=True)
class Document:
    """
    What was read, and what is wrong with it; usable as it stands if ``faults`` is empty.

    ``ended_early`` tells that there was so much wrong that the search was given up.
    """

    value: Any
    faults: list[Fault]
    ended_early: bool = False


class _Doubled(dict[str, Any]):
    """An object in which some member names came more than once."""

    doubled: tuple[str, ...] = ()


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    plain = dict(pairs)
    if len(plain) == len(pairs):
        return plain
    marked = _Doubled(plain)
    marked.doubled = tuple(name for name, n in Counter(k for k, _ in pairs).items() if n > 1)
    return marked


def _constant(word: str) -> Unreadable:
    return Unreadable(
        "not-finite",
        f"{word} is not a number in JSON.",
        "Leave the reading out, or write null, if there is no value.",
    )


_TOO_LARGE = Unreadable(
    "number-too-large",
    "The number is larger than a double can hold.",
    "Write a number of ordinary size; check the exponent.",
)
_TOO_SMALL = Unreadable(
    "number-too-small",
    "The number is not zero but smaller than a double can hold.",
    "Write 0 if zero is meant; check the exponent.",
)


def _float(text: str) -> float | Unreadable:
    number = float(text)
    if math.isinf(number):
        return _TOO_LARGE
    if number == 0 and any(digit in "123456789" for digit in text.lower().partition("e")[0]):
        return _TOO_SMALL
    return number


def _integer(text: str) -> int | Unreadable:
    if len(text) > _MOST_INTEGER_DIGITS or math.isinf(float(text)):
        return _TOO_LARGE
    return int(text)


def _decoded(body: bytes) -> str:
    try:
        return body.removeprefix(codecs.BOM_UTF8).decode("utf-8")
    except UnicodeDecodeError as error:
        raise NotJsonError(
            Fault(
                (),
                "not-utf-8",
                f"The byte at position {error.start} is not UTF-8.",
                "Save or send the request as UTF-8.",
            )
        ) from error


def _too_deep(where: Path) -> Fault:
    return Fault(
        where,
        "nested-too-deeply",
        f"Objects and lists are nested more than {DEEPEST} deep.",
        "Send the request in the documented form, which needs four levels.",
    )


_TOO_MUCH = Fault(
    (),
    "too-many-objects",
    f"There are more than {MOST_CONTAINERS} objects and lists.",
    "Balance parts of the flowsheet on their own.",
)


def _too_many_members(where: Path) -> Fault:
    return Fault(
        where,
        "too-many-members",
        f"An object has more than {MOST_MEMBERS} members.",
        "Use the documented members only.",
    )


def _parsed(text: str) -> Any:  # noqa: ANN401 - any JSON value
    if not text.strip():
        raise NotJsonError(Fault((), "empty-body", "The request is empty.", "Send a JSON object."))
    try:
        return json.loads(
            text,
            object_pairs_hook=_object,
            parse_constant=_constant,
            parse_float=_float,
            parse_int=_integer,
        )
    except json.JSONDecodeError as error:
        raise NotJsonError(
            Fault(
                (),
                "malformed-json",
                f"The request is not JSON: {error.msg[0].lower()}{error.msg[1:]}, "
                f"line {error.lineno}, column {error.colno}.",
                "Look at that place, or just before it, for a missing or extra comma, quote "
                "or bracket.",
            ),
            error.lineno,
            error.colno,
        ) from error
    except RecursionError as error:
        raise NotJsonError(_too_deep(())) from error


def _is_unicode(text: str) -> bool:
    return text.isascii() or not any("\ud800" <= character <= "\udfff" for character in text)


def clean(text: str) -> str:
    """Give the text with every lone surrogate replaced, so that it can be written as UTF-8."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _surrogate_fault(where: Path) -> Fault:
    return Fault(
        where,
        "not-unicode",
        "The text holds half of a surrogate pair, which is not a character.",
        "Send the text as UTF-8 without \\ud800 to \\udfff on their own.",
    )


def _is_short(name: str) -> bool:
    return len(name) <= LONGEST_MEMBER_NAME


def _member_faults(members: dict[str, Any], where: Path) -> list[Fault]:
    faults = [
        Fault(
            (*where, clean(name)),
            "duplicate-member",
            f"The member '{clean(name)[:40]}' stands more than once in the same object.",
            "Keep one of them.",
        )
        for name in getattr(members, "doubled", ())
    ]
    for name in members:
        if not _is_short(name):
            faults.append(
                Fault(
                    where,
                    "member-name-too-long",
                    f"A member name has more than {LONGEST_MEMBER_NAME} characters.",
                    "Use the documented members only.",
                )
            )
        elif not _is_unicode(name):
            faults.append(_surrogate_fault((*where, clean(name))))
    return faults


class _Search:
    """
    A search for what is wrong inside a document.

    It ends early, with ``ended_early`` set, when there is no use in finding more: what it
    holds is bounded, whatever a caller sends.
    """

    def __init__(self, document: Any) -> None:  # noqa: ANN401 - any JSON value
        self.faults: list[Fault] = []
        self.ended_early = False
        self._containers = 0
        self._waiting: list[tuple[Any, Path]] = []
        self._meet(document, ())
        while self._waiting and not self.ended_early:
            self._enter(*self._waiting.pop())

    def _meet(self, value: Any, where: Path) -> None:  # noqa: ANN401 - any JSON value
        if isinstance(value, dict | list):
            if len(where) >= DEEPEST:
                raise NotJsonError(_too_deep(where))
            self._waiting.append((value, where))
            self._containers += 1
            if self._containers > MOST_CONTAINERS:
                self.faults.append(_TOO_MUCH)
                self.ended_early = True
        elif isinstance(value, Unreadable):
            self.faults.append(Fault(where, value.code, value.what, value.mend))
        elif isinstance(value, str) and not _is_unicode(value):
            self.faults.append(_surrogate_fault(where))
        self.ended_early = self.ended_early or len(self.faults) >= MOST_FAULTS

    def _enter(self, value: Any, where: Path) -> None:  # noqa: ANN401 - an object or list
        if isinstance(value, dict) and len(value) > MOST_MEMBERS:
            self.faults.append(_too_many_members(where))
            self.ended_early = True
            return
        if isinstance(value, dict):
            self.faults += _member_faults(value, where)
            inner: Iterable[tuple[str | int, Any]] = (
                (k, v) for k, v in value.items() if _is_short(k)
            )
        else:
            inner = enumerate(value)
        for key, held in inner:
            if isinstance(held, dict | list | str | Unreadable):
                self._meet(held, (*where, clean(key) if isinstance(key, str) else key))
            if self.ended_early:
                return


class _DoubtfulError(ValueError):
    """A document is not plain; it may still be in order, which a search tells."""


_MEMBER = re.compile(rb'"[ \t\n\r]*:')
"""How a member begins; text may look like it, so there are no fewer of it than members."""

_LEAST, _MOST = 1e-300, 1e15
"""Sizes between which a number is what was written; zero may have been too small for a double."""


def _plain(body: bytes) -> dict[str, Any] | list[Any]:
    """
    Read a document in which there is evidently nothing to search for.

    The reader used is as strict in all but two things: of members that share a name it gives the
    last, which shows in their number, and of numbers out of range it gives the next best.
    """
    if len(body) > _SHORT_BODY:
        raise _DoubtfulError
    value = orjson.loads(body)
    if not isinstance(value, dict | list) or _members_in(value, DEEPEST) < members_written(body):
        raise _DoubtfulError
    return value


def members_written(text: bytes) -> int:
    """Give how many members a text in JSON has, or more where other text looks like one."""
    return len(_MEMBER.findall(text))


def _members_in(value: dict[str, Any] | list[Any], levels: int) -> int:
    """Count the members of all objects, nested at most so deep, and look at the numbers."""
    inner: Iterable[Any] = value
    found = 0
    if isinstance(value, dict):
        found, inner = len(value), value.values()
        if found > MOST_MEMBERS or len("".join(value)) > LONGEST_MEMBER_NAME:
            raise _DoubtfulError
    if levels == 0:
        raise _DoubtfulError
    for held in inner:
        kind = type(held)
        if kind is dict or kind is list:
            found += _members_in(held, levels - 1)
        elif kind is float and not _LEAST < abs(held) < _MOST:
            raise _DoubtfulError
    return found


def read(body: bytes) -> Document:
    """
    Read one JSON document.

    A leading byte order mark is passed over (RFC 8259, section 8.1 allows it).

    Raises
    ------
    NotJsonError
        where nothing can be read: not UTF-8, empty, malformed, or nested too deeply.
    """
    try:
        return Document(_plain(body), [])
    except ValueError:
        value = _parsed(_decoded(body))  # what is wrong, or seems to be, is found out here
    search = _Search(value)
    return Document(value, search.faults, search.ended_early)


@lru_cache(maxsize=_POINTERS_KEPT)
def pointer(where: Path) -> str:
    """Give a path as a JSON pointer (RFC 6901); the empty string is the whole document."""
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in where)
