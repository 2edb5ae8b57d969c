"""
How numerical loops are compiled: at first use, and kept on disk where there is a place.

A loop that others call is linked into each of them and optimised anew there, with all that it calls
in turn.  So what is only ever part of others is optimised lightly by itself, and has no way in from
Python: that takes a third off the time of the whole.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, cast

from numba import njit
from numba.core import config, event


@cache
def _stamp() -> str:
    """Identify the loops' whole source: they call one another, and hold the limits as constants."""
    texts = [path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py"))]
    telling = b"@compiled", b"@part_of_others", b"TOLERANCE = "
    return sha256(b"".join(t for t in texts if any(word in t for word in telling))).hexdigest()


_EVENT: Any = event
_SPENT = _EVENT.TimingListener()
_EVENT.register("numba:compile", _SPENT)


def seconds_of_compiling() -> float:
    """Give the time that this process has spent on compiling loops."""
    return float(_SPENT.duration) if _SPENT.done else 0.0


_CONFIG: Any = config
_FULLY = _CONFIG.OPT
_LIGHTLY = type(_FULLY)("1")
_WHOLE: set[Any] = set()
_UNKEPT: set[Any] = set()


class _Effort(_EVENT.Listener):  # type: ignore[misc]
    """Sets how much is optimised while a loop is compiled, or something that it calls."""

    def __init__(self) -> None:
        self._before: list[Any] = []

    def on_start(self, event: Any) -> None:  # noqa: ANN401
        """Begin with a loop, or with what the one in hand calls."""
        whole = event.data["dispatcher"].py_func in _WHOLE
        self._before.append(_CONFIG.OPT)
        _CONFIG.OPT = _FULLY if whole or len(self._before) == 1 else _LIGHTLY

    def on_end(self, event: Any) -> None:  # noqa: ANN401, ARG002
        """Go on with the loop that called it."""
        _CONFIG.OPT = self._before.pop()


_EVENT.register("numba:compile", _Effort())


def are_kept() -> bool:
    """Say whether what is compiled is kept on disk for other processes."""
    return not _UNKEPT


def part_of_others(function: Callable[..., Any]) -> Callable[..., Any]:
    """
    Compile what only compiled loops call; Python must not: there is no way in from there.

    For the tuples of many arrays that loops take, the ways in take as long to make as the loops.
    """
    return _compiled(function, no_cpython_wrapper=True, no_cfunc_wrapper=True)


def inlined(function: Callable[..., Any]) -> Callable[..., Any]:
    """
    Put a loop into each that calls it.

    Where it is handed parts of arrays, counting who holds them takes longer than a short loop.
    """
    return _compiled(function, inline="always")


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile at first use; where nothing can be kept on disk, once in each process."""
    _WHOLE.add(function)
    return _compiled(function)


def _compiled(function: Callable[..., Any], **options: bool | str) -> Callable[..., Any]:
    # Its declared type does not know every option.
    compile_: Any = njit
    made: Callable[..., Any]
    try:
        made = compile_(cache=True, error_model="numpy", **options)(function)
    except RuntimeError:
        # Neither the package nor the home directory can be written to.
        _UNKEPT.add(function)
        made = compile_(error_model="numpy", **options)(function)
        return made
    if made is function:
        # Compiling is switched off (NUMBA_DISABLE_JIT): the same loops, as Python runs them.
        return made
    # The compiler itself asks only whether the file of this one loop has changed; and that only
    # when it has read what was kept, which fails where the type of a tuple has moved, unless the
    # version differs.
    kept = cast("Any", made)._cache._cache_file  # noqa: SLF001
    kept._source_stamp = _stamp()  # noqa: SLF001
    kept._version = f"{kept._version}, {_stamp()}"  # noqa: SLF001
    return made
