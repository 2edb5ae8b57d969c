"""How numerical loops are compiled: at first use, and kept on disk where there is a place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from numba import njit


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile at first use; where nothing can be kept on disk, once in each process."""
    try:
        made = njit(cache=True, error_model="numpy")(function)
    except RuntimeError:
        # Neither the package nor the home directory can be written to.
        made = njit(error_model="numpy")(function)
    return cast("Callable[..., Any]", made)
