"""
What would have to be read for an unobservable quantity to become known.

With ``N`` the moves that nothing read sees, a functional ``g`` becomes observable by further
readings ``r`` exactly if ``g N`` lies in the span of the ``r N`` (the condition of Crowe 1989 on
what is left open).  Single readings, pairs and triples are searched exhaustively; beyond that a
set is found from which none can be left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .balance import Candidate, Remedy, Wanted
from .flowsheet import SOLIDS
from .kernel.limits import PARALLEL
from .measurands import Measurand, assay, moisture, size_fraction, solids
from .rows import measurands_as_ratios, ratios_to_feed

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints, Ratios
    from .model import Model
    from .plan import Plan

MOST_CANDIDATES = 250
"""Readings beyond which triples are no longer searched one by one: their number grows with the
cube."""

MOST_OPEN = 150
"""Open directions beyond which nothing is searched: so much is unknown that any list of single
readings would mislead."""

MOST_SETS = 8
"""Sets given for a quantity at most; the first are as good as the others."""


_AT_ONCE = 200
"""Recoveries looked at together: each may have as many terms as the flowsheet has feeds."""


def _candidates(plan: Plan) -> list[Candidate]:
    """Give what could be read and was not, single streams only."""
    sheet = plan.model.flowsheet
    kinds = [solids(), *(assay(c) for c in sheet.components)]
    if sheet.water:
        kinds.append(moisture())
    for size in sheet.classes:
        kinds.append(size_fraction((size,)))
        kinds += [assay(c, (size,)) for c in sheet.sized]
    taken = {(key.streams, key.of) for key in plan.keys}
    return [
        Candidate(stream.name, of)
        for stream in sheet.streams
        for of in kinds
        if all(sheet.holds(stream, q) for q in of.quantities)
        and not (stream.signed and not of.is_amount)
        and ((stream.name,), of) not in taken
    ]


def _wanted(model: Model) -> tuple[list[Wanted], list[tuple[tuple[str, ...], Measurand]]]:
    sheet = model.flowsheet
    wanted: list[Wanted] = []
    of: list[tuple[tuple[str, ...], Measurand]] = []
    assays = {component: assay(component) for component in sheet.components}
    for stream in sheet.streams:
        if SOLIDS not in stream.without:
            wanted.append(Wanted("mass", stream.name, SOLIDS))
            of.append(((stream.name,), solids()))
        for component in sheet.components:
            if sheet.holds(stream, component) and not stream.signed:
                wanted.append(Wanted("assay", stream.name, component))
                of.append(((stream.name,), assays[component]))
    return wanted, of


def _signatures(ratios: Ratios, at: Floats, open_: Floats) -> Floats:
    """Give what each ratio sees of the open moves, (k, open), rounding removed and unit length."""
    below = ratios.denominators(at)
    rows = ratios.derivative(at, ratios.numerators(at) / below, below, np.ones(ratios.count))
    seen = rows @ open_
    size = abs(rows) @ np.abs(open_)
    least = np.asarray(abs(rows).sum(axis=1))[:, None] * np.abs(open_).max(initial=0.0)
    seen = np.where((np.abs(seen) > PARALLEL * size) & (size > PARALLEL * least), seen, 0.0)
    length = np.linalg.norm(seen, axis=1, keepdims=True)
    return seen / np.where(length > 0, length, 1.0)


def _without(vectors: Floats, direction: Floats) -> Floats:
    """Take a unit direction out of vectors (k, d)."""
    return vectors - np.outer(vectors @ direction, direction)


def _unit(vectors: Floats) -> Floats:
    """Give vectors (k, d) at unit length, zero where nothing but rounding is left."""
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.where(length > PARALLEL, vectors / np.where(length > 0, length, 1.0), 0.0)


def _singles(target: Floats, seen: Floats) -> list[tuple[int, ...]]:
    """Give the unit vectors (k, d) parallel to the unit target (d,)."""
    along = (seen @ target)[:, None] * target
    off = np.linalg.norm(seen - along, axis=1)
    return [(int(k),) for k in np.flatnonzero((off <= PARALLEL) & seen.any(axis=1))]


def _pairs(target: Floats, seen: Floats) -> list[tuple[int, ...]]:
    """Give the pairs of unit vectors that span the target and are both needed."""
    cosine, along = seen @ seen.T, seen @ target
    # What is left of target and second vector once the first is taken out of both, squared.
    product = (along[None, :] - along[:, None] * cosine) ** 2
    lengths = np.maximum(1 - along[:, None] ** 2, 0.0) * np.maximum(1 - cosine**2, 0.0)
    likely = (lengths > PARALLEL) & (product >= lengths * (1 - PARALLEL)) & seen.any(axis=1)
    first, second = np.nonzero(np.triu(likely | likely.T, 1))
    found: list[tuple[int, ...]] = []
    for j, k in zip(first.tolist(), second.tolist(), strict=True):
        if _spans(target, seen[[j, k]]):
            found.append((j, k))
        if len(found) == MOST_SETS:
            break
    return found


def _triples(target: Floats, seen: Floats) -> list[tuple[int, ...]]:
    """Give the triples of unit vectors that span the target and are all needed."""
    found: list[tuple[int, ...]] = []
    for j in np.flatnonzero(seen.any(axis=1)):
        rest = _unit(_without(seen[j + 1 :], seen[j]))
        left = target - float(target @ seen[j]) * seen[j]
        length = float(np.linalg.norm(left))
        if length <= PARALLEL:
            continue
        found += [(int(j), a + int(j) + 1, b + int(j) + 1) for a, b in _pairs(left / length, rest)]
        if len(found) >= MOST_SETS:
            break
    return found


def _minimal(target: Floats, seen: Floats) -> tuple[int, ...] | None:
    """Give a set from which none can be left out, added greedily and then thinned."""
    chosen: list[int] = []
    rest, left = seen.copy(), target.copy()
    while float(np.linalg.norm(left)) > PARALLEL:
        if not len(rest):
            return None
        length = np.linalg.norm(rest, axis=1)
        useful = np.abs(rest @ left) / np.where(length > PARALLEL, length, np.inf)
        best = int(np.argmax(useful))
        if useful[best] <= PARALLEL**2:
            return None
        direction = rest[best] / length[best]
        rest, left = _without(rest, direction), left - float(left @ direction) * direction
        chosen.append(best)
    for k in list(chosen):
        fewer = [c for c in chosen if c != k]
        if fewer and _spans(target, seen[fewer]):
            chosen = fewer
    return tuple(sorted(chosen))


def _spans(target: Floats, vectors: Floats) -> bool:
    weights, *_ = np.linalg.lstsq(vectors.T, target, rcond=PARALLEL)
    return bool(np.linalg.norm(vectors.T @ weights - target) <= PARALLEL)


def _alike(signatures: Floats) -> list[list[int]]:
    """Group the positions of vectors that are parallel."""
    groups: list[list[int]] = []
    left = np.arange(len(signatures))
    while len(left):
        along = np.abs(signatures[left] @ signatures[left[0]])
        alike = 1 - along <= PARALLEL**2
        alike[0] = True
        groups.append(left[alike].tolist())
        left = left[~alike]
    return groups


def _smallest(target: Floats, seen: Floats) -> tuple[list[tuple[int, ...]], bool]:
    searches = (_singles, _pairs, _triples) if len(seen) <= MOST_CANDIDATES else (_singles,)
    for search in searches:
        found = search(target, seen)
        if found:
            return found[:MOST_SETS], True
    one = _minimal(target, seen)
    return ([] if one is None else [one]), False


def _blocks(seen: Floats) -> Ints:
    """Say of each open direction which block it is in: blocks that no candidate joins, (d,)."""
    touched = sp.csr_array((seen != 0).astype(float))
    _, block = sp.csgraph.connected_components(touched.T @ touched, directed=False)
    return np.asarray(block, dtype=np.int64)


def _searched(target: Floats, seen: Floats, block: Ints) -> tuple[list[tuple[int, ...]], bool]:
    """Search among the candidates that see something of the target's blocks."""
    here = np.isin(block, block[target != 0])
    near = np.flatnonzero((seen[:, here] != 0).any(axis=1))
    sets, exact = _smallest(target[here], seen[np.ix_(near, here)])
    return [tuple(int(near[k]) for k in chosen) for chosen in sets], exact


def remedies(plan: Plan, closed: Bools) -> tuple[Remedy, ...]:
    """
    Give, for each unobservable mass, assay and recovery, further readings that make it known.

    ``closed`` (n,) are the unknowns that are zero.  Nothing is given where more than
    :data:`MOST_OPEN` directions are open.

    Raises
    ------
    OverBudget
    """
    if plan.is_open(closed):
        return plan.remembered("remedies", lambda: _remedies(plan, closed))
    return _remedies(plan, closed)


def _remedies(plan: Plan, closed: Bools) -> tuple[Remedy, ...]:
    structure = plan.structure_with(closed)
    if not 0 < int(structure.pins.sum()) <= MOST_OPEN:
        return ()
    model = plan.model
    at, open_ = plan.null_space(closed)
    runs = dict(zip(model.flowsheet.stream_index, ~closed[model.columns(0)], strict=True))
    candidates = [c for c in _candidates(plan) if runs[c.stream]]
    wanted, of = _wanted(model)
    rows = [_signatures(measurands_as_ratios(model, of), at, open_)]
    products = [s.name for s in model.flowsheet.products]
    for component in model.flowsheet.components:
        wanted += [Wanted("recovery", name, component) for name in products]
        for begin in range(0, len(products), _AT_ONCE):
            ratios = ratios_to_feed(model, products[begin : begin + _AT_ONCE], component)
            rows.append(_signatures(ratios, at, open_))
    targets = np.vstack(rows)
    could = [((c.stream,), c.of) for c in candidates]
    seen = _signatures(measurands_as_ratios(model, could), at, open_)
    known = np.linalg.norm(targets, axis=1) == 0
    unknown = np.flatnonzero(~known & np.isfinite(targets).all(axis=1))
    block = _blocks(seen)
    result = []
    for group in _alike(targets[unknown]):
        plan.budget.check()
        sets, exact = _searched(targets[unknown[group[0]]], seen, block)
        if sets:
            named = tuple(wanted[int(unknown[k])] for k in group)
            result.append(Remedy(named, _named(sets, candidates), exact))
    return tuple(result)


def _named(
    sets: Sequence[tuple[int, ...]], candidates: Sequence[Candidate]
) -> tuple[tuple[Candidate, ...], ...]:
    return tuple(tuple(candidates[k] for k in chosen) for chosen in sets)
