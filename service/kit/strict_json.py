"""
A JSON reader that takes only what RFC 8259 and I-JSON (RFC 7493) allow.

It refuses NaN and Infinity, numbers a double cannot hold, duplicate member names, lone
surrogates, bytes that are not UTF-8 and nesting beyond reason, and says where each is.
"""

from __future__ import annotations

import codecs
import json
import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

from reconcile.faults import Fault, Where

DEEPEST = 32
"""Deepest nesting read; a request of ours needs four levels."""

LONGEST_MEMBER_NAME = 200
"""Longest member name read; longer ones are never ours and would only swell the reply."""

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
    """What was read, and what is wrong with it; usable as it stands if ``faults`` is empty."""

    value: Any
    faults: list[Fault]


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


def _faults_within(document: Any) -> list[Fault]:  # noqa: ANN401 - any JSON value
    faults: list[Fault] = []
    waiting: list[tuple[Any, Path]] = [(document, ())]
    while waiting:
        value, where = waiting.pop()
        if isinstance(value, Unreadable):
            faults.append(Fault(where, value.code, value.what, value.mend))
        elif isinstance(value, str):
            if not _is_unicode(value):
                faults.append(_surrogate_fault(where))
        elif isinstance(value, dict | list) and len(where) >= DEEPEST:
            raise NotJsonError(_too_deep(where))
        elif isinstance(value, dict):
            faults += _member_faults(value, where)
            waiting += [(v, (*where, clean(k))) for k, v in value.items() if _is_short(k)]
        elif isinstance(value, list):
            waiting += [(v, (*where, i)) for i, v in enumerate(value)]
    return faults


def read(body: bytes) -> Document:
    """
    Read one JSON document.

    A leading byte order mark is passed over (RFC 8259, section 8.1 allows it).

    Raises
    ------
    NotJsonError
        where nothing can be read: not UTF-8, empty, malformed, or nested too deeply.
    """
    value = _parsed(_decoded(body))
    return Document(value, _faults_within(value))


def pointer(where: Path) -> str:
    """Give a path as a JSON pointer (RFC 6901); the empty string is the whole document."""
    return "".join(f"/{str(part).replace('~', '~0').replace('/', '~1')}" for part in where)
