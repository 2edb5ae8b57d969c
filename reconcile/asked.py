"""
What is asked of every balance, all at once.

Amounts, assays, recoveries, splits, what was read: which rows these are, where their unknowns stand
in the order of elimination and which of them share work depends on the plan alone, and is worked
out once for it.  Where a solution has no factor in that order, each question is answered by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from . import derived
from .derived import Derived, Functionals, evaluate, quotients_of, root, stacked
from .flowsheet import SOLIDS, Part
from .kernel.forms import Asked, asked_of
from .kernel.limits import CANCELLING, VARIANCE_RESOLUTION
from .kernel.quotients import Quotients, slopes_of, still
from .observability import moved_by_nothing

if TYPE_CHECKING:
    from .kernel.ordered import OrderedFactor
    from .kernel.problem import Bools, Floats, Ints
    from .kernel.skeleton import Skeleton
    from .linearisation import Linearisation
    from .model import Model
    from .plan import Plan

WITHIN_STREAMS = "assays", "moistures", "fractions", "class_assays"
"""Questions with rows stream by stream, each of unknowns of one stream alone."""


_FOLLOWED = ("amounts", "assays", "splits")
"""What follows from every balance beside the shares of the feed: the first questions."""


def fractions(model: Model) -> Functionals:
    """Solids of every size class over all solids, (streams · classes)."""
    sheet = model.flowsheet
    places = [sheet.quantity_index[Part(SOLIDS, size)] for size in sheet.classes]
    return derived.shares(model, places, 0)


def _questions(model: Model) -> dict[str, Functionals]:
    """Give the questions but for the shares of the feed, by name."""
    sheet = model.flowsheet
    found = {
        "amounts": derived.amounts(model),
        "assays": derived.assays(model),
        "splits": derived.of_inlet(model),
    }
    if sheet.water:
        found["moistures"] = derived.moistures(model)
    if sheet.classes:
        found["fractions"] = fractions(model)
    if sheet.classes and sheet.sized:
        found["class_assays"] = derived.class_assays(model)
    if model.common:
        columns = model.amounts + np.arange(len(model.common))
        found["common"] = derived.picked(columns, model.size)
    return found


@dataclass(frozen=True)
class _Feeds:
    """
    The shares of the feed: every amount over one of the ``sums`` (l, n), chosen by ``partner``.

    ``alone`` are those that are all there is of theirs.
    """

    sums: sp.csr_array
    partner: Ints
    alone: Ints


@dataclass(frozen=True)
class _Plan:
    """
    The questions of a plan: ``parts`` name slices of ``rows``; ``kin`` (k,) who shares work.

    ``asked`` are the rows in the order of elimination.
    """

    rows: Quotients
    parts: Mapping[str, slice]
    asked: Asked
    feeds: _Feeds


def _planned(plan: Plan, skeleton: Skeleton) -> _Plan:
    model = plan.model
    every = {name: quotients_of(of) for name, of in _questions(model).items()}
    every["readings"] = plan.own_ratios.quotients
    counts = [len(rows.constant) for rows in every.values()]
    ends = np.cumsum(counts)
    parts = {
        name: slice(int(end - count), int(end))
        for name, end, count in zip(every, ends, counts, strict=True)
    }
    rows = stacked(list(every.values()))
    # What leaves one node meets the same unknowns, and shares within a stream meet some of them.
    kin = -1 - np.arange(ends[-1])
    source, target = model.ends
    kin[parts["splits"]] = np.repeat(source[source >= 0], model.kinds)
    node = np.where(source < 0, target, source)
    for part in (parts[name] for name in WITHIN_STREAMS if name in parts):
        kin[part] = np.repeat(node, (part.stop - part.start) // model.streams)
    symbolic = skeleton.symbolic
    pattern = (symbolic.start, symbolic.reaches[0], rows.start, skeleton.place[rows.column])
    of_feed = derived.of_plan(plan, derived.of_feed)
    assert of_feed.below is not None  # noqa: S101 - shares
    assert of_feed.partner is not None  # noqa: S101
    return _Plan(rows, parts, asked_of(*pattern, kin), _feeds(of_feed.below, of_feed.partner))


def _feeds(sums: sp.csr_array, partner: Ints) -> _Feeds:
    single = sums.indptr[np.flatnonzero(np.diff(sums.indptr) == 1)]
    alone = sums.indices[single].astype(np.int64)
    return _Feeds(sums, partner, alone)


def answers(at: Linearisation) -> Mapping[str, Derived]:
    """
    Give value, sd and class of all that is asked of every balance, by the name of the question.

    ``shares`` of the feed, ``amounts``, ``assays`` and ``splits``, and these four in this order as
    ``followed``; where they are followed ``moistures``, ``fractions``, ``class_assays`` and
    ``common`` unknowns.  With a factor in the plan's order also the ``readings`` as the plan has
    them, without shared errors.
    """
    plan, here = at.solution.plan, at.in_order
    if here is None:
        found = {name: evaluate(at, of) for name, of in _questions(plan.model).items()}
        shares = evaluate(at, derived.of_plan(plan, derived.of_feed))
        followed = shares
        for name in _FOLLOWED:
            followed = followed.and_then(found[name])
        return found | {"shares": shares, "followed": followed}
    factor, columns = here
    asked = plan.remembered("asked", lambda: _planned(plan, factor.skeleton))
    rows, solution = asked.rows, at.solution
    slopes = slopes_of(rows, solution.x, solution.throughput)
    entries = slopes.gradient * columns[rows.column]
    variance = factor.numeric.forms_of(asked.asked, entries, VARIANCE_RESOLUTION)
    known, moves = np.ones(len(slopes.value), dtype=bool), at.open_moves
    if moves is not None:
        known = still(rows, slopes.gradient, solution.throughput, moves)
    whole = Derived(slopes.value, root(variance), known, slopes.defined)
    found = {name: whole.at(part) for name, part in asked.parts.items()}
    shares = _shares(at, here, asked.feeds, variance[asked.parts["amounts"]])
    # They stand first among the questions, side by side.
    others = whole.at(slice(asked.parts[_FOLLOWED[-1]].stop))
    return found | {"shares": shares, "followed": shares.and_then(others)}


def _shares(
    at: Linearisation, here: tuple[OrderedFactor, Floats], feeds: _Feeds, apart: Floats
) -> Derived:
    """
    Give every amount as a share of the feed; ``apart`` are the amounts' own variances.

    ``here`` are the factor and what the unknowns were multiplied by in it.
    """
    solution, sums, partner = at.solution, feeds.sums, feeds.partner
    amount, feed = solution.x[: len(partner)], sums @ solution.x
    defined = (feed > np.finfo(float).eps * (sums @ solution.throughput))[partner]
    divisor = np.where(defined, feed[partner], 1.0)
    value = amount / divisor
    factor, columns = here
    cross, shared = factor.with_sums(sums, partner, columns)
    terms = apart + value**2 * shared[partner]
    variance = apart - 2 * value * cross + value**2 * shared[partner]
    cancels = variance < CANCELLING * terms
    cancels[feeds.alone] = False
    variance[feeds.alone] = 0.0
    close = np.flatnonzero(cancels)
    if len(close):
        variance[close] = _together(here, feeds, close, value[close])
    known = np.ones(len(value), dtype=bool)
    if at.open_moves is not None:
        known = _still(feeds, value, solution.throughput, at.open_moves)
    return Derived(value, root(variance) / divisor, known, defined)


def _still(feeds: _Feeds, value: Floats, throughput: Floats, moves: Floats) -> Bools:
    """Say which shares see nothing of the open moves (n, probes) but rounding, (k,)."""
    sums, partner, count = feeds.sums, feeds.partner, len(value)
    moved = throughput[:, None] * moves
    ratio = np.abs(value)[:, None]
    over = moved[:count] - value[:, None] * (sums @ moved)[partner]
    size = np.abs(moved[:count]) + ratio * (sums @ np.abs(moved))[partner]
    length = throughput[:count, None] + ratio * (sums @ throughput)[partner, None]
    return moved_by_nothing(over, size, length, np.abs(moves).max())


def _together(
    here: tuple[OrderedFactor, Floats], feeds: _Feeds, chosen: Ints, value: Floats
) -> Floats:
    """Give the variance of some amounts less ``value`` times their feeds, the difference first."""
    factor, columns = here
    sums, partner = feeds.sums, feeds.partner[chosen]
    shape = (len(chosen), sums.shape[1])
    alone = sp.csr_array((np.ones(len(chosen)), chosen, np.arange(len(chosen) + 1)), shape=shape)
    under = sp.csr_array(sums[partner])
    under.data = under.data * np.repeat(value, np.diff(under.indptr))
    rows = sp.csr_array(alone - under)
    place = factor.skeleton.place[rows.indices]
    data = rows.data.astype(np.float64) * columns[rows.indices]
    start = rows.indptr.astype(np.int64)
    return factor.numeric.forms(start, place, data, VARIANCE_RESOLUTION, partner)
