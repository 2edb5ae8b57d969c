"""The loops of the engine compiled by several processes at a time, where they never were."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Sequence
from multiprocessing import get_context

from reconcile.first_use import Part, are_compiled, make_ready
from reconcile.kernel.compiled import are_kept
from service.kit.calculations import leave_with_parent

_SPAWN = get_context("spawn")


def compile_at_a_time(
    parts: Sequence[Part] = tuple(Part), tell: Callable[[], None] = lambda: None
) -> None:
    """
    Compile ``parts`` of the loops unless they are kept, in as many processes as there are cores.

    ``tell`` is called before, if there is anything to compile.  This process takes parts from the
    front while the others take them from the end.  What another could not do, and has said on
    standard error why, is compiled where it is first used.
    """
    if are_compiled():
        # A part may be missing all the same, where compiling was cut short.
        for part in parts if are_kept() else ():
            make_ready(part)
        return
    tell()
    left = deque(parts)
    others = [
        threading.Thread(target=_elsewhere, args=(left,)) for _ in range((os.cpu_count() or 1) - 1)
    ]
    for other in others:
        other.start()
    while left:
        make_ready(left.popleft())
    for other in others:
        other.join()


def _elsewhere(left: deque[Part]) -> None:
    """Have parts made ready in processes of their own, one after the other."""
    while True:
        try:
            part = left.pop()
        except IndexError:
            return
        process = _SPAWN.Process(target=_make_ready, args=(part,), daemon=True)
        process.start()
        process.join()


def _make_ready(part: Part) -> None:
    leave_with_parent()
    make_ready(part)
