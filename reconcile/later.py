"""
Lists and tables that are made when something in them is first asked for.

A balance holds a number for every amount, share, grade and reading; whoever asks for a few of them
should not wait until all have become objects with names.
"""

from __future__ import annotations

import gc
from collections.abc import (
    Callable,
    ItemsView,
    Iterator,
    KeysView,
    Mapping,
    Sequence,
    ValuesView,
)
from functools import partial
from typing import Any, Generic, TypeVar, overload

Entry = TypeVar("Entry")
Key = TypeVar("Key")
Whole = TypeVar("Whole")


def _uncollected(make: Callable[[], Whole]) -> Whole:
    """
    Make something while the collector of cycles is held off.

    It is many thousand objects, none of them in a cycle; to look for cycles among those made so
    far, again and again, takes longer than to make them.
    """
    on = gc.isenabled()
    gc.disable()
    try:
        return make()
    finally:
        if on:
            gc.enable()


class _Later(Generic[Whole]):
    """What ``make`` gives, made once: two threads that meet make it twice and keep either."""

    __slots__ = ("_made", "_make")

    def __init__(self, make: Callable[[], Whole]) -> None:
        self._make = make
        self._made: Whole | None = None

    @property
    def _whole(self) -> Whole:
        made = self._made
        if made is None:
            made = self._made = _uncollected(self._make)
        return made

    def __repr__(self) -> str:
        """Show what is in it."""
        return repr(self._whole)


class Listed(_Later[list[Entry]], Sequence[Entry]):
    """A sequence made when it is first asked for."""

    __slots__ = ()

    @overload
    def __getitem__(self, at: int) -> Entry: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[Entry]: ...

    def __getitem__(self, at: int | slice) -> Entry | Sequence[Entry]:
        """Give one, or some."""
        return self._whole[at]

    def __len__(self) -> int:
        """Give how many there are."""
        return len(self._whole)

    def __iter__(self) -> Iterator[Entry]:
        """Go over them in order."""
        return iter(self._whole)

    def __eq__(self, other: object) -> bool:
        """Whether another sequence holds the same."""
        return isinstance(other, Sequence) and self._whole == list(other)

    __hash__ = None  # type: ignore[assignment]

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it be copied and sent whole."""
        return Listed, (partial(list, self._whole),)


class Table(_Later[dict[Key, Entry]], Mapping[Key, Entry]):
    """A mapping made when it is first asked for; what a ``dict`` answers, it answers as fast."""

    __slots__ = ()

    def __getitem__(self, key: Key) -> Entry:
        """Give what stands under a name."""
        return self._whole[key]

    def __len__(self) -> int:
        """Give how many there are."""
        return len(self._whole)

    def __iter__(self) -> Iterator[Key]:
        """Go over them in order."""
        return iter(self._whole)

    def __contains__(self, key: object) -> bool:
        """Say whether there is one of the name."""
        return key in self._whole

    def keys(self) -> KeysView[Key]:
        """Give the names."""
        return self._whole.keys()

    def values(self) -> ValuesView[Entry]:
        """Give what stands under them."""
        return self._whole.values()

    def items(self) -> ItemsView[Key, Entry]:
        """Give both."""
        return self._whole.items()

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it be copied and sent whole."""
        return Table, (partial(dict, self._whole),)
