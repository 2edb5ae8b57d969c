"""What stands in an address after the question mark: read strictly, all faults at once."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime
from typing import TypeVar

from starlette.datastructures import QueryParams

from reconcile.faults import Fault

from .fields import LONGEST_NAME, is_control
from .instants import NotATimeError, instant
from .problems import INVALID_PARAMETER, refuse

_MOST_DIGITS = 9

_Read = TypeVar("_Read")


class BadParameterError(ValueError):
    """A parameter that cannot be read: what is wrong, and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(what)


class Query:
    """
    The parameters of one request.

    Read each by one of the methods, then call :meth:`done`, which refuses the request if
    anything was wrong: a parameter unknown, given twice, or unreadable.
    """

    def __init__(self, given: QueryParams, known: Collection[str]) -> None:
        self._given = given
        self._faults: list[Fault] = []
        for name in dict.fromkeys(given.keys()):
            if name not in known:
                self._note("unknown-parameter", f"There is no parameter '{_shown(name)}'.", known)
            elif len(given.getlist(name)) > 1:
                what = f"The parameter '{name}' is given more than once."
                self._faults.append(Fault((), "repeated-parameter", what, "Give it once."))

    def _note(self, code: str, what: str, known: Collection[str]) -> None:
        mend = f"Known here: {', '.join(known)}." if known else "Leave it out; none is taken here."
        self._faults.append(Fault((), code, what, mend))

    def read(self, name: str, reader: Callable[[str], _Read]) -> _Read | None:
        """Give a parameter as the reader takes it; None where it is absent or at fault."""
        text = self._given.get(name)
        if text is None:
            return None
        try:
            return reader(text)
        except BadParameterError as error:
            what = f"The parameter '{name}' cannot be used: {error.what}"
            self._faults.append(Fault((), f"bad-{name.replace('_', '-')}", what, error.mend))
            return None

    def needed(self, name: str, reader: Callable[[str], _Read], example: str) -> _Read:
        """
        Give a parameter that must be there.

        Where it is not, or is at fault, nothing can go on: every fault so far is told at
        :meth:`done`, which the caller must reach before using what this gives.
        """
        if name not in self._given:
            what = f"The parameter '{name}' is missing."
            mend = f"Add it, for example {name}={example}."
            self._faults.append(Fault((), "missing-parameter", what, mend))
        found = self.read(name, reader)
        return reader(example) if found is None else found

    def done(self) -> None:
        """
        End the reading.

        Raises
        ------
        RefusalError
            400 with every fault found.
        """
        if self._faults:
            n = len(self._faults)
            found = "1 parameter" if n == 1 else f"{n} parameters"
            raise refuse(INVALID_PARAMETER, f"{found} cannot be used.", self._faults)


def _shown(text: str) -> str:
    return "".join("?" if is_control(c) else c for c in text[:40])


def a_time(text: str) -> datetime:
    """Read a point in time; a '+' that arrived as a space is taken for what it was."""
    try:
        return instant(text[:-6] + text[-6:].replace(" ", "+"))
    except NotATimeError as error:
        raise BadParameterError(error.what, f"{error.mend} A '+' is written %2B.") from None


def a_name(text: str) -> str:
    """Read a name."""
    if not text.strip() or len(text) > LONGEST_NAME or any(is_control(c) for c in text):
        raise BadParameterError(
            "it is no name.", f"Give 1 to {LONGEST_NAME} visible characters, percent-encoded."
        )
    return text


def a_text(most: int) -> Callable[[str], str]:
    """Read a text of so many characters at most."""

    def read(text: str) -> str:
        if not text.strip() or len(text) > most or any(is_control(c) for c in text):
            raise BadParameterError(
                "it is no text.", f"Give 1 to {most} visible characters, percent-encoded."
            )
        return text.strip()

    return read


def a_word(*words: str) -> Callable[[str], str]:
    """Read one of these words."""

    def read(text: str) -> str:
        if text not in words:
            raise BadParameterError("the word is not known.", f"Use one of {', '.join(words)}.")
        return text

    return read


def a_count(least: int, most: int) -> Callable[[str], int]:
    """Read a whole number within bounds."""

    def read(text: str) -> int:
        is_number = text.isascii() and text.isdigit() and len(text) <= _MOST_DIGITS
        if not is_number or not least <= int(text) <= most:
            raise BadParameterError(
                "it is no whole number in range.", f"Give a number from {least} to {most}."
            )
        return int(text)

    return read
