"""
The compiled loops, in parts that separate processes can compile at the same time.

Loops are compiled where they are first used and then kept on disk, where every process finds them.
One after the other they take minutes; the parts depend on one another only in small loops that they
share.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from .descent import case_of
from .flowsheet import Flowsheet, Stream
from .kernel import lanes
from .kernel.budget import Budget, spending
from .kernel.compiled import are_kept, seconds_of_compiling
from .kernel.lane_readings import ALONE, Given, Layout
from .kernel.lane_system import open_bounds
from .kernel.limits import SET_ROUNDS, VECTOR
from .kernel.losses import Loss
from .model import keys_of
from .options import Options
from .plan import plan
from .readings import Reading


class Part(StrEnum):
    """What is compiled together: making a plan, solving one set of values, solving many."""

    PLAN = "plan"
    ONE = "one"
    MANY = "many"


def nothing_stated() -> Layout:
    """Lay out a statement without unknowns, readings or balances: of the types of any other."""
    starts, places = np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    numbers, marks = np.zeros(0), np.zeros(0, dtype=np.bool_)
    rows = starts, places, numbers
    return Layout(
        starts,
        places,
        numbers,
        numbers,
        numbers,
        numbers,
        *rows,
        *rows,
        marks,
        places,
        starts,
        places,
        starts,
        places,
        starts,
        places,
        places,
        places,
        starts,
        places,
        places,
        places,
        ALONE,
    )


def nothing_given(lanes: int) -> Given:
    """Give the values of a statement of nothing, in so many lanes."""
    numbers, marks = np.zeros((0, lanes)), np.zeros((0, lanes), dtype=np.bool_)
    none = np.zeros(0, dtype=np.bool_)
    return Given(numbers, numbers, numbers, numbers, numbers, marks, marks, none, none)


def _plan() -> None:
    """Make a plan, and the first guess on it."""
    streams = (Stream("feed", None, "node"), Stream("product", "node", None))
    sheet = Flowsheet(("node",), streams, ("component",))
    readings = [Reading(s.name, of, 1.0, sd=0.1) for s in streams for of in ("mass", "component")]
    keys, ones = keys_of(sheet, readings), np.ones(len(readings))
    options = Options()
    budget = Budget(options.time_budget_s, options.memory_budget_mb)
    with spending(budget), np.errstate(all="ignore"):
        made = plan(sheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))
        case = case_of(made, ones, ones, options, budget)
        assert made.open_pins is not None  # noqa: S101
        case.side_by_side(ones[None], ones[None], case.first.point, made.model.absent)


def _one() -> None:
    """Go down in one lane."""
    at = nothing_stated()
    given, bounds = nothing_given(1), open_bounds(at)
    none = np.zeros((0, 0, 1))
    lanes.descend(at, given, np.zeros((0, 1)), bounds, True, SET_ROUNDS, none, 0)


def _many() -> None:
    """Go down in many lanes."""
    at, given = nothing_stated().abreast(VECTOR), nothing_given(VECTOR)
    blocks = np.zeros((1, 0, VECTOR))
    lanes.descend_all(at, blocks, blocks, given, np.zeros(0), True, blocks)


def are_compiled() -> bool:
    """
    Say whether the loops need not be compiled any more by anyone: by trying one of the smallest.

    Also where nothing can be kept on disk: what other processes compile would be of no use.
    """
    before = seconds_of_compiling()
    open_bounds(nothing_stated())
    return seconds_of_compiling() == before or not are_kept()


def make_ready(part: Part) -> None:
    """Compile a part, unless it is kept already."""
    {Part.PLAN: _plan, Part.ONE: _one, Part.MANY: _many}[part]()
