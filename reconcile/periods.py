"""
Several periods solved together: the flowsheet once for each, joined by the stocks between them.

A stock at a node becomes a store.  What the node takes in and does not give out changes the store,
and what the store holds at the end of one period is what it holds at the start of the next: another
stream, so that stocks need no equations of their own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from .flowsheet import Flowsheet, Order, Stream, Whole

Period = str | None
"""The name of a period; ``None`` where there is one period without a name."""


@dataclass(frozen=True)
class Unrolled:
    """
    A flowsheet over all periods, and where its names are found.

    ``streams`` gives the name of a stream in a period, ``stocks`` that of a node's stock at each
    time (one more than there are periods), ``changes`` that of the signed stream by which a node's
    stock grows in a period.  Nodes stand period by period, then the stores; streams period by
    period, then those of the stocks.
    """

    flowsheet: Flowsheet
    periods: tuple[Period, ...]
    streams: Mapping[tuple[str, Period], str]
    stocks: Mapping[str, tuple[str, ...]]
    changes: Mapping[tuple[str, Period], str]


def _in(name: str, period: Period) -> str:
    return name if period is None else f"{name} in {period}"


def _stock_names(node: str, periods: Sequence[Period]) -> tuple[str, ...]:
    ends = ("the end" if p is None else f"the end of {p}" for p in periods)
    return tuple(f"{node} at {time}" for time in ("the start", *ends))


def _store_of(node: str, period: Period) -> str:
    return _in(f"store of {node}", period)


def _flows(flowsheet: Flowsheet, period: Period) -> list[Stream]:
    def there(node: str | None) -> str | None:
        return None if node is None else _in(node, period)

    return [
        replace(s, name=_in(s.name, period), source=there(s.source), target=there(s.target))
        for s in flowsheet.streams
    ]


def _stock_streams(node: str, periods: Sequence[Period], names: Sequence[str]) -> list[Stream]:
    """Give the stock at each time, between the stores before and after, and its changes."""
    stores = [_store_of(node, period) for period in periods]
    held = [
        Stream(name, before, after)
        for name, before, after in zip(names, [None, *stores], [*stores, None], strict=True)
    ]
    changes = [
        Stream(_in(f"change of {node}", p), _in(node, p), store, signed=True)
        for p, store in zip(periods, stores, strict=True)
    ]
    return held + changes


def unroll(
    flowsheet: Flowsheet, periods: Sequence[str] = (), stocks: Sequence[str] = ()
) -> Unrolled:
    """
    Give one flowsheet for all periods together, in order of time.

    ``stocks`` names the nodes that hold a stock.  Without ``periods`` there is one period and names
    stay as they are.  Streams of a flowsheet without stocks are not joined: its periods then only
    share readings.  Names are not checked: a stream called like another one in its period is found
    by :func:`~reconcile.flowsheet.faults_of`.
    """
    times: tuple[Period, ...] = tuple(periods) or (None,)
    held = {node: _stock_names(node, times) for node in stocks}
    processes = tuple(_in(node, p) for p in times for node in flowsheet.nodes)
    stores = tuple(_store_of(node, p) for p in times for node in stocks)
    streams = [stream for p in times for stream in _flows(flowsheet, p)]
    for node, names in held.items():
        streams += _stock_streams(node, times, names)
    unrolled = replace(
        flowsheet,
        nodes=(*processes, *stores),
        streams=tuple(streams),
        alters={_in(n, p): what for p in times for n, what in flowsheet.alters.items()},
        wholes=tuple(_whole(whole, times) for whole in flowsheet.wholes),
        orders=tuple(_order(order, p) for p in times for order in flowsheet.orders),
    )
    return Unrolled(
        flowsheet=unrolled,
        periods=times,
        streams={(s.name, p): _in(s.name, p) for p in times for s in flowsheet.streams},
        stocks=held,
        changes={(node, p): _in(f"change of {node}", p) for node in stocks for p in times},
    )


def _whole(whole: Whole, periods: Sequence[Period]) -> Whole:
    if whole.streams is None:
        return whole
    return replace(whole, streams=tuple(_in(s, p) for p in periods for s in whole.streams))


def _order(order: Order, period: Period) -> Order:
    return replace(order, richer=_in(order.richer, period), than=_in(order.than, period))
