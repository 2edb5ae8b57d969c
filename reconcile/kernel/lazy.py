"""Values worked out at their first use and kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, TypeVar, overload

T = TypeVar("T")


class lazy(Generic[T]):  # noqa: N801 - read as a decorator, like property
    """
    As ``functools.cached_property``, without its lock.

    In Python 3.11 that lock belongs to the class: while one thread works out the property of a
    large flowsheet, every other thread would wait for the same property of a small one.  Two
    threads that meet on one object work it out twice and keep either: the values are equal.
    """

    def __init__(self, work: Callable[[Any], T]) -> None:
        self._work = work
        self.__doc__ = work.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        """Keep the value under its own name."""
        self._name = name

    @overload
    def __get__(self, holder: None, owner: type) -> lazy[T]: ...

    @overload
    def __get__(self, holder: object, owner: type) -> T: ...

    def __get__(self, holder: object | None, owner: type) -> T | lazy[T]:
        """Give the value, worked out if it is not there yet; found directly from then on."""
        if holder is None:
            return self
        found = self._work(holder)
        holder.__dict__[self._name] = found
        return found
