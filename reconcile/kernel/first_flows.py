"""
Flows to start from: split at every node by what was read around it; compiled.

Amounts are (streams, Q), the dry solids first; what was not read is NaN.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .limits import LARGEST_GRADE, SMALL_DIFFERENCE, SMALL_REST, UNREAD_GRADE
from .network import Network, flows

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Sheet(NamedTuple):
    """
    A flowsheet by position.

    ``source`` and ``target`` (streams,) nodes, -1 for outside; ``part`` (streams,) connected parts;
    ``held`` and ``begins`` (streams, Q) which stream holds a quantity and where it begins;
    ``entries`` and ``signed`` (streams,) streams that set a part's throughput, and those whose
    amounts may be negative.
    """

    source: Ints
    target: Ints
    part: Ints
    held: Bools
    begins: Bools
    entries: Bools
    signed: Bools
    nodes: int


@part_of_others
def _median(numbers: Floats, otherwise: float) -> float:
    """Give the median of what is not NaN; what else where all is."""
    known = np.sort(numbers[~np.isnan(numbers)])
    count = len(known)
    if count == 0:
        return otherwise
    return float(0.5 * (known[(count - 1) // 2] + known[count // 2]))


@part_of_others
def _shares(sheet: Sheet, masses: Floats) -> Floats:
    """
    Give weights by which each node splits, from the masses read.

    Unread outlets share what the node's inlets leave, or count as the mean of those read.
    """
    entering, leaving = np.zeros(sheet.nodes), np.zeros(sheet.nodes)
    gaps_in, gaps_out = np.zeros(sheet.nodes), np.zeros(sheet.nodes)
    outlets, fill = np.zeros(sheet.nodes), np.ones(sheet.nodes)
    for s in range(len(masses)):
        unread = np.isnan(masses[s])
        here, there = sheet.source[s], sheet.target[s]
        if there >= 0:
            gaps_in[there] += unread
            entering[there] += 0.0 if unread else masses[s]
        if here >= 0:
            outlets[here] += 1.0
            gaps_out[here] += unread
            leaving[here] += 0.0 if unread else masses[s]
    for k in range(sheet.nodes):
        rest = entering[k] - leaving[k] if gaps_in[k] == 0.0 else 0.0
        if rest > SMALL_REST * entering[k]:
            fill[k] = rest / max(gaps_out[k], 1.0)
        elif outlets[k] > gaps_out[k]:
            fill[k] = leaving[k] / (outlets[k] - gaps_out[k])
    shares = masses.copy()
    for s in range(len(masses)):
        if np.isnan(masses[s]):
            shares[s] = fill[sheet.source[s]]
    return shares


@part_of_others
def _scale_to(sheet: Sheet, solids: Floats, masses: Floats) -> None:
    """Scale the solids, part by part, to the masses read."""
    factors = masses / solids
    for part in range(sheet.part.max() + 1):
        here = sheet.part == part
        factor = _median(factors[here], 1.0)
        for s in range(len(solids)):
            if here[s]:
                solids[s] *= factor


@part_of_others
def _solids(sheet: Sheet, net: Network, masses: Floats, solids: Floats) -> bool:
    """Give the solids (streams, 1) from the masses read; false where a circuit lets nothing out."""
    typical = _median(masses[sheet.entries], 1.0)
    shares = _shares(sheet, masses)
    small = SMALL_DIFFERENCE * _median(shares, 1.0)
    feeds, weights = np.empty((len(masses), 1)), np.empty((len(masses), 1))
    for s in range(len(masses)):
        unread = np.isnan(masses[s])
        feeds[s, 0] = small if sheet.signed[s] else typical if unread else masses[s]
        weights[s, 0] = small if sheet.signed[s] else shares[s]
    held, begins = sheet.held[:, :1].copy(), sheet.begins[:, :1].copy()
    if not flows(net, held, begins, feeds, weights, solids):
        return False
    _scale_to(sheet, solids[:, 0], masses)
    return True


@compiled
def first_flows(sheet: Sheet, net: Network, read: Floats, point: Floats) -> bool:
    """
    Give flows of the solids and the components into ``point`` (streams, 1 + components).

    ``read`` of the same shape are the positive readings, grades for the components.  False where
    a circuit lets nothing out.
    """
    streams, components = len(read), read.shape[1] - 1
    solids = np.empty((streams, 1))
    masses = np.where(sheet.signed, np.nan, read[:, 0])
    if not _solids(sheet, net, masses, solids):
        return False
    point[:, 0] = solids[:, 0]
    if components == 0:
        return True
    typical = np.empty(components)
    amounts, found = np.empty((streams, components)), np.empty((streams, components))
    for k in range(components):
        typical[k] = min(_median(read[:, 1 + k], UNREAD_GRADE), LARGEST_GRADE)
        for s in range(streams):
            grade = typical[k] if np.isnan(read[s, 1 + k]) else read[s, 1 + k]
            amounts[s, k] = solids[s, 0] * grade
    held = sheet.held[:, 1 : 1 + components].copy()
    begins = sheet.begins[:, 1 : 1 + components].copy()
    if not flows(net, held, begins, amounts, amounts, found):
        return False
    for k in range(components):
        sound = True
        for s in range(streams):
            sound = sound and found[s, k] <= LARGEST_GRADE * solids[s, 0]
        for s in range(streams):
            plain = typical[k] * solids[s, 0] if held[s, k] else 0.0
            point[s, 1 + k] = found[s, k] if sound else plain
    return True


@compiled
def entering(sheet: Sheet, amounts: Floats) -> Floats:
    """Give what enters of each quantity in each stream's part of the sheet, (streams, Q)."""
    streams, kinds = amounts.shape
    total, result = np.zeros((sheet.part.max() + 1, kinds)), np.empty((streams, kinds))
    for s in range(streams):
        for q in range(kinds):
            if sheet.begins[s, q]:
                total[sheet.part[s], q] += abs(amounts[s, q])
    for s in range(streams):
        result[s] = total[sheet.part[s]]
    return result


@compiled
def surroundings(sheet: Sheet, point: Floats) -> tuple[Floats, Floats, Floats]:
    """
    Give what sizes there are around each amount of a point, all (streams, Q) and above zero.

    The throughput of its part; the largest amount at either end of its stream, since in a plant of
    many lines what enters in all says nothing of a stream far down one of them; and its own size,
    or what stands for it where it is zero.
    """
    streams, kinds = point.shape
    flow = entering(sheet, point)
    whole = flow[:, 0].max() if streams > 0 else 0.0
    whole = whole if whole > 0.0 else 1.0
    largest = np.zeros((sheet.nodes + 1, kinds))
    for s in range(streams):
        for q in range(kinds):
            for k in (sheet.source[s], sheet.target[s]):
                largest[k, q] = max(largest[k, q], abs(point[s, q]))
    largest[-1] = 0.0  # the outside, where a stream has no node
    nearby, scale = np.empty((streams, kinds)), np.empty((streams, kinds))
    for s in range(streams):
        for q in range(kinds):
            flow[s, q] = flow[s, q] if flow[s, q] > 0.0 else whole
            near = max(largest[sheet.source[s], q], largest[sheet.target[s], q])
            nearby[s, q] = min(near, flow[s, q]) if near > 0.0 else flow[s, q]
            scale[s, q] = point[s, q] if point[s, q] > 0.0 else flow[s, q]
    return flow, nearby, scale
