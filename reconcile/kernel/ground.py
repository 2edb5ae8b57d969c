"""What follows from the ends of streams alone, worked out in one compiled call."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .exact import Rows, Totals, balance_rows, nested_rows, sum_rows
from .network import Network, entries_of, flows, network_of, parts_of

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Ground(NamedTuple):
    """
    The ground on which all plans of a flowsheet stand.

    ``node`` and ``quantity`` (balances,) say of what each balance is; ``exact`` are the balances,
    then the sums within streams, ``within`` the rows of nests; ``part`` (streams,) is the connected
    part of each stream, ``entries`` (streams,) say where one begins and ``begins`` (streams, Q)
    where a quantity does; ``network`` is what runs through the nodes.  At the ``point`` (streams ·
    Q,) every balance holds, if it ``leaves``: not where everything of a quantity circulates.
    """

    node: Ints
    quantity: Ints
    exact: Rows
    within: Rows
    part: Ints
    entries: Bools
    begins: Bools
    network: Network
    point: Floats
    leaves: bool


@part_of_others
def _joined(rows: Rows, more: Rows) -> Rows:
    """Give rows with more behind them."""
    start = np.concatenate((rows.start, rows.start[-1] + more.start[1:]))
    column = np.concatenate((rows.column, more.column))
    return Rows(start, column, np.concatenate((rows.data, more.data)))


@compiled
def ground_of(
    ends: tuple[Ints, Ints],
    conserved: Bools,
    held: Bools,
    signed: Bools,
    nests: tuple[Ints, Ints],
    totals: Totals,
    numbers: tuple[Floats, Floats],
) -> Ground:
    """
    Work out what follows from the ends of streams, from 0 with -1 for outside.

    ``numbers``, each (streams · Q,), are the feeds and the splits at the point that balances.
    ``conserved`` (nodes, Q) and ``held`` (streams, Q) by quantity; ``signed`` (streams,) those that
    no nest binds; ``nests`` the quantities that are part of another, and of which; ``totals`` those
    that are sums.
    """
    source, target = ends
    nodes, kinds = conserved.shape
    node, quantity, start, column, data = balance_rows(source, target, conserved, held, totals)
    exact = Rows(start, column, data)
    if len(totals.whole) > 0:
        start, column, data = sum_rows(totals, kinds)
        exact = _joined(exact, Rows(start, column, data))
    bound = np.flatnonzero(~signed)
    start, column, data = nested_rows(bound, nests[0], nests[1], kinds)
    part = parts_of(source, target, nodes)
    entries, begins = entries_of(source, target, part), np.zeros(held.shape, dtype=np.bool_)
    for s in range(len(source)):
        for q in range(kinds):
            begins[s, q] = entries[s] or (source[s] >= 0 and not conserved[source[s], q])
    network = network_of(source, target, nodes)
    feeds, share = numbers[0].reshape(held.shape), numbers[1].reshape(held.shape)
    point = np.empty(held.shape)
    leaves = flows(network, held, begins, feeds, share, point)
    within = Rows(start, column, data)
    return Ground(
        node, quantity, exact, within, part, entries, begins, network, point.ravel(), leaves
    )
