"""How numerical loops are compiled: at first use, and kept on disk where there is a place."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, cast

from numba import njit
from numba.core import event


@cache
def _stamp() -> str:
    """Identify the loops' whole source: they call one another, and hold the limits as constants."""
    texts = [path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py"))]
    return sha256(
        b"".join(t for t in texts if b"@compiled" in t or b"TOLERANCE = " in t)
    ).hexdigest()


_EVENT: Any = event
_SPENT = _EVENT.TimingListener()
_EVENT.register("numba:compile", _SPENT)


def seconds_of_compiling() -> float:
    """Give the time that this process has spent on compiling loops."""
    return float(_SPENT.duration) if _SPENT.done else 0.0


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile at first use; where nothing can be kept on disk, once in each process."""
    try:
        made = njit(cache=True, error_model="numpy")(function)
    except RuntimeError:
        # Neither the package nor the home directory can be written to.
        return cast("Callable[..., Any]", njit(error_model="numpy")(function))
    if made is function:
        # Compiling is switched off (NUMBA_DISABLE_JIT): the same loops, as Python runs them.
        return function
    # The compiler itself asks only whether the file of this one loop has changed; and that only
    # when it has read what was kept, which fails where the type of a tuple has moved, unless the
    # version differs.
    kept = cast("Any", made)._cache._cache_file  # noqa: SLF001
    kept._source_stamp = _stamp()  # noqa: SLF001
    kept._version = f"{kept._version}, {_stamp()}"  # noqa: SLF001
    return cast("Callable[..., Any]", made)
