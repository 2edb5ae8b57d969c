"""Things joined into parts, each part named by one of them: union and find (Tarjan 1975)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .compiled import part_of_others

if TYPE_CHECKING:
    from .problem import Ints


@part_of_others
def root_of(parent: Ints, k: int) -> int:
    """
    Give what names the part of ``k``.

    ``parent`` (n,) leads from each towards it, the one that names a part to itself; the way there
    is halved for those who come after.
    """
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k
