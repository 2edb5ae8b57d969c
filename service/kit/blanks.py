"""
Parts of replies of which only the figures change: written once with blanks, then filled in.

A plant asks for the same balance with every shift.  The names of its members, of streams and of
units are written once; for a shift only its figures are, all of them in one go.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite
from operator import itemgetter
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from .replies import OUT_OF_RANGE, Members, Written, refuse_doubtful

_MARK = b"\0"
"""What stands around a blank; a writer of JSON gives it in another way."""

_SEVERAL = 2

Figures = list[bytes]
"""Figures and words as they stand in JSON."""


def blank(number: int) -> Written:
    """Give the place of a figure: in a form, of the figure with that number."""
    return orjson.Fragment(_MARK + str(number).encode() + _MARK)


def figures_of(numbers: NDArray[np.float64], told: NDArray[np.bool_]) -> Figures:
    """
    Write an array of numbers, one after the other; null where there is none ``told``.

    Raises
    ------
    RefusalError
        where one that is told is no number that JSON can carry.
    """
    if not numbers.size:
        return []
    if not np.isfinite(numbers[told]).all():
        raise refuse_doubtful(OUT_OF_RANGE)
    # A number that is none is written as null.
    shown = np.where(told, numbers, np.nan).ravel()
    return orjson.dumps(shown, option=orjson.OPT_SERIALIZE_NUMPY)[1:-1].split(b",")


def figures_of_list(numbers: list[float]) -> Figures:
    """
    Write a list of numbers as :func:`figures_of` writes an array of which all are told.

    Raises
    ------
    RefusalError
        as :func:`figures_of`.
    """
    if not numbers:
        return []
    # One that is no number leaves the sum none; a sum may also be too large of itself.
    if not isfinite(sum(numbers)) and not all(map(isfinite, numbers)):
        raise refuse_doubtful(OUT_OF_RANGE)
    return orjson.dumps(numbers)[1:-1].split(b",")


class Form:
    """Members with blanks in them."""

    def __init__(self, members: Members | list[Members]) -> None:
        self._parts, numbers = _split(members)
        self._picked = _picker(numbers)

    def filled(self, figures: Figures) -> Written:
        """Give it with figures in its blanks."""
        return _filled(self._parts, self._picked(figures))


class Body:
    """What is alike in all objects of a list; its blanks are another figure in each of them."""

    def __init__(self) -> None:
        self._places: list[NDArray[np.int64]] = []

    def blank(self, places: NDArray[np.int64]) -> Written:
        """Give the place of a figure whose numbers are ``places``, one for each object."""
        self._places.append(places)
        return blank(len(self._places) - 1)

    def rows(self, heads: Sequence[Members], members: Members) -> Rows:
        """Give a list of objects: first the members of each, then ``members`` with these blanks."""
        parts, numbers = _split(members)
        places = np.array([self._places[number] for number in numbers], dtype=np.int64)
        return Rows([orjson.dumps(head) for head in heads], parts, places)


class Rows:
    """
    A list of objects that are alike but for their first members and their figures.

    Parameters
    ----------
    heads
        an object of the first members of each, written.
    parts
        what follows in all of them, in pieces, with a gap for each blank.
    places
        (blanks, heads), the number of the figure in each blank.
    """

    def __init__(
        self, heads: Sequence[bytes], parts: list[bytes], places: NDArray[np.int64]
    ) -> None:
        opening, *inner, closing = parts
        self._parts: list[bytes] = []
        before = b"["
        for head in heads:
            self._parts.append(before + head[:-1] + b"," + opening[1:])
            self._parts += inner
            before = closing + b","
        self._parts.append(closing + b"]" if heads else b"[]")
        self._picked = _picker(places.T.ravel().tolist())

    def filled(self, figures: Figures) -> Written:
        """Give them with figures in their blanks."""
        return _filled(self._parts, self._picked(figures))


class Line:
    """What objects of a list have alike that begin differently; its blanks have figures of each."""

    def __init__(self, members: Members) -> None:
        opening, *self._between = _split(members)[0]
        self._opening = opening[1:]

    def begun(self, head: Members) -> bytes:
        """Write the first members of an object, which may be kept for another time."""
        return orjson.dumps(head)[:-1] + b"," + self._opening

    def written(self, begun: list[bytes], columns: Sequence[Figures]) -> Written:
        """Give all objects; ``columns`` are the figures in each blank, object by object."""
        if not begun:
            return orjson.Fragment(b"[]")
        count, width = len(begun), 1 + 2 * len(columns)
        whole = [b","] * (count * width)
        whole[::width] = begun
        for k, (column, after) in enumerate(zip(columns, self._between[1::2], strict=True)):
            whole[2 * k + 1 :: width] = column
            whole[2 * k + 2 :: width] = [after] * count
        whole[width - 1 :: width] = [*[self._between[-1] + b","] * (count - 1), self._between[-1]]
        return orjson.Fragment(b"".join((b"[", *whole, b"]")))


def _split(members: object) -> tuple[list[bytes], list[int]]:
    """Give what stands between blanks with a gap for each blank, and the numbers of the blanks."""
    parts = orjson.dumps(members).split(_MARK)
    return parts, [int(number) for number in parts[1::2]]


def _picker(places: list[int]) -> Callable[[Figures], Sequence[bytes]]:
    """Give what picks the figures of some places."""
    if len(places) < _SEVERAL:
        return lambda figures: [figures[place] for place in places]
    return itemgetter(*places)


def _filled(parts: list[bytes], figures: Sequence[bytes]) -> Written:
    whole: list[Any] = parts.copy()
    whole[1::2] = figures
    return orjson.Fragment(b"".join(whole))
