"""
What came out for many quantities, side by side.

A balance holds a number for every amount, share, grade and reading.  They are worked out as arrays,
and whoever wants all of them has the arrays; an object with names is made of each when somebody
looks one up.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache, partial
from itertools import repeat
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np

from .balance import Estimate, Knowledge, Known, Read
from .later import Listed, Table

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints

KNOWLEDGE = tuple(Knowledge)
"""The classes, by their numbers in an array."""

REDUNDANT, NONREDUNDANT, OBSERVABLE, UNOBSERVABLE, UNDEFINED = range(len(KNOWLEDGE))

VALUE, SD = 0, 1
"""Rows of the numbers of anything; more follow for what may have been read and for what was."""

READING, READING_SD, ADJUSTMENT, STANDARDISED = 2, 3, 4, 5
"""Further rows of the numbers of estimates."""

READ_ADJUSTMENT, READ_STANDARDISED, WEIGHT = 2, 3, 4
"""Further rows of the numbers of readings."""

Key = TypeVar("Key")
Same = TypeVar("Same")
Made = TypeVar("Made", bound="Known | Read | Estimate")


@dataclass(frozen=True, slots=True)
class Columns:
    """
    Many quantities of one kind.

    ``numbers`` (fields, k) are the fields of its objects but for the class, in their order;
    ``told`` (fields, k) says which are there: by name the others are ``None``.  ``kinds`` (k,) are
    the classes, as numbers of :data:`KNOWLEDGE`.
    """

    numbers: Floats
    told: Bools
    kinds: Ints

    def at(self, chosen: Ints) -> Columns:
        """Give some of the quantities."""
        return Columns(self.numbers[:, chosen], self.told[:, chosen], self.kinds[chosen])

    def and_then(self, more: Columns) -> Columns:
        """Give them with more of their kind behind them."""
        return Columns(
            np.concatenate((self.numbers, more.numbers), axis=1),
            np.concatenate((self.told, more.told), axis=1),
            np.concatenate((self.kinds, more.kinds)),
        )

    def as_objects(self, kind: type[Made]) -> list[Made]:
        """Give them as objects."""
        fields: list[list[Any]] = self.numbers.tolist()
        for field, k in np.argwhere(~self.told).tolist():
            fields[field][k] = None
        value, sd, *more = fields
        classes = map(KNOWLEDGE.__getitem__, self.kinds.tolist())
        return _made(kind, zip(value, sd, classes, *more, strict=True))


def _made(kind: type[Made], fields: Iterable[tuple[object, ...]]) -> list[Made]:
    """Give many of a kind from their fields, past its constructor, which takes twice as long."""
    return cast("list[Made]", list(map(tuple.__new__, repeat(kind), fields)))


class NamedColumns(Table[Key, Made]):
    """Quantities by name, made when one is looked up; they have ``positions`` in a list of all."""

    __slots__ = ("_kind", "_whole_list", "names", "positions")

    def __init__(
        self,
        names: tuple[Key, ...],
        kind: type[Made],
        whole: Callable[[], Columns],
        positions: Ints,
    ) -> None:
        super().__init__(partial(_by_name, names, kind, whole, positions))
        self.names = names
        self.positions = positions
        self._kind = kind
        self._whole_list = whole

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it be copied and sent whole."""
        whole = partial(_as_it_is, self._whole_list())
        return NamedColumns, (self.names, self._kind, whole, self.positions)


class ListedColumns(Listed[Made]):
    """
    Quantities in an order: ``columns``, and objects when one is looked up.

    ``all`` gives the columns when it is called.
    """

    __slots__ = ("_kind", "all")

    def __init__(self, kind: type[Made], columns: Callable[[], Columns]) -> None:
        once = cache(columns)
        super().__init__(partial(_in_order, kind, once))
        self._kind = kind
        self.all = once

    @property
    def columns(self) -> Columns:
        """All of them as arrays."""
        return self.all()

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it be copied and sent whole."""
        return ListedColumns, (self._kind, partial(_as_it_is, self.columns))


class Own:
    """
    The quantities that were read for themselves, worked out when they are first asked for.

    ``positions`` (k,) are theirs among all that follows; ``columns`` are those of estimates.
    """

    __slots__ = ("_make",)

    def __init__(self, make: Callable[[], tuple[Ints, Columns]]) -> None:
        self._make = cache(make)

    @property
    def positions(self) -> Ints:
        """Where they stand."""
        return self._make()[0]

    @property
    def columns(self) -> Columns:
        """What is known of them, as arrays."""
        return self._make()[1]

    def __eq__(self, other: object) -> bool:
        """Whether others are the same ones, and are as well known."""
        if not isinstance(other, Own):
            return NotImplemented
        same = np.array_equal(self.positions, other.positions)
        objects = (one.columns.as_objects(Estimate) for one in (self, other))
        return same and operator.eq(*objects)

    __hash__ = None  # type: ignore[assignment]

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it be copied and sent whole."""
        return Own, (partial(_as_it_is, (self.positions, self.columns)),)


def no_names(kind: type[Made]) -> NamedColumns[Any, Made]:
    """Give a table of nothing."""
    return NamedColumns((), kind, partial(_nothing, kind), np.zeros(0, dtype=np.int64))


def no_list(kind: type[Made]) -> ListedColumns[Made]:
    """Give a list of nothing."""
    return ListedColumns(kind, partial(_nothing, kind))


def no_own() -> Own:
    """Give no quantities that were read."""
    return Own(lambda: (np.zeros(0, dtype=np.int64), _nothing(Estimate)))


def _nothing(kind: type[Made]) -> Columns:
    numbers = np.zeros((len(kind._fields) - 1, 0))  # the class is none
    return Columns(numbers, numbers.astype(bool), np.zeros(0, dtype=np.int64))


# Free functions, since a table that held a method of its own would wait for the collector.


def _by_name(
    names: tuple[Key, ...], kind: type[Made], whole: Callable[[], Columns], positions: Ints
) -> dict[Key, Made]:
    with np.errstate(all="ignore"):  # what is out of range is told as it is
        return dict(zip(names, whole().at(positions).as_objects(kind), strict=True))


def _in_order(kind: type[Made], columns: Callable[[], Columns]) -> list[Made]:
    with np.errstate(all="ignore"):
        return columns().as_objects(kind)


def _as_it_is(known: Same) -> Same:
    return known
