"""Tables with a row for each stream, stock or product."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile import Knowledge
from service.balances.reply import BalanceReply, ProductRecovery, StreamBalance
from service.kit.plain_table import Column, paragraph, table

from .cells import adjustment, bracketed, named, read, shown, with_period

_BRACKETS = "In brackets: not read, follows from the balance."
_UNKNOWN = "Unknown: not read, and the readings do not determine it."
_UNDEFINED = "Undefined: a ratio over a stream or feed of zero."


def _heading(words: str, unit: str | None) -> str:
    return f"{words}, {unit}" if unit else words


def masses(reply: BalanceReply) -> list[str]:
    """Give the masses of all streams."""
    streams = reply.streams
    return table(
        [named(stream) for stream in streams],
        [
            Column("read", [read(s.mass) for s in streams]),
            Column("reconciled", [shown(s.mass) for s in streams]),
            Column("adjustment", [adjustment(s.mass) for s in streams]),
            Column("yield, %", [shown(s.yield_) for s in streams]),
        ],
        _heading("Mass", streams[0].mass.unit),
    )


def waters(reply: BalanceReply) -> list[str]:
    """Give the water of all streams."""
    wet = [(named(s), s.water) for s in reply.streams if s.water is not None]
    if not wet:
        return []
    unit = wet[0][1].mass.unit
    return table(
        [name for name, _ in wet],
        [
            Column(_heading("water", unit), [shown(w.mass) for _, w in wet]),
            Column(_heading("wet mass", unit), [shown(w.wet_mass) for _, w in wet]),
            Column("moisture, %", [shown(w.moisture) for _, w in wet]),
            Column("solids, %", [shown(w.percent_solids) for _, w in wet]),
        ],
        "Water",
    )


def stocks(reply: BalanceReply) -> list[str]:
    """Give the stocks, dry solids."""
    if not reply.stocks:
        return []
    return table(
        [with_period(stock.node, stock.period) for stock in reply.stocks],
        [
            Column("opening", [shown(s.opening.mass) for s in reply.stocks]),
            Column("closing", [shown(s.closing.mass) for s in reply.stocks]),
            Column("change", [shown(s.change.mass) for s in reply.stocks]),
        ],
        _heading("Stock", reply.stocks[0].opening.mass.unit),
    )


def _graded(reply: BalanceReply) -> list[StreamBalance]:
    """Give the streams that have grades: those that hold solids and are no mere difference."""
    return [s for s in reply.streams if s.mass.value != 0 and s.role != "unaccounted"]


def assays(reply: BalanceReply) -> list[str]:
    """Give the assays of the components."""
    streams = _graded(reply)
    columns = [
        Column(f"{assay.component}, {assay.unit}", [bracketed(s.assays[k]) for s in streams])
        for k, assay in enumerate(streams[0].assays if streams else ())
    ]
    return table([named(s) for s in streams], columns, "Assays") if columns else []


def analytes(reply: BalanceReply) -> list[str]:
    """Give what a laboratory would report where the components are minerals."""
    streams = _graded(reply)
    columns = [
        Column(f"{assay.analyte}, {assay.unit}", [bracketed(s.analytes[k]) for s in streams])
        for k, assay in enumerate(streams[0].analytes if streams else ())
    ]
    if any(s.oxide_total is not None for s in streams):
        totals = ["" if s.oxide_total is None else shown(s.oxide_total) for s in streams]
        columns.append(Column("oxides in all, %", totals))
    return table([named(s) for s in streams], columns, "Analytes") if columns else []


def sizes(reply: BalanceReply) -> list[list[str]]:
    """Give what passes each aperture, then the assays by size; rows of nothing known left out."""
    streams = [s for s in _graded(reply) if any(size.share.value is not None for size in s.sizes)]
    if not streams:
        return []
    classes = streams[0].sizes
    # What passes the lower aperture of a class is all that is finer than the next one's upper.
    passing = [
        Column(finer.size.partition(" ")[0], [shown(s.sizes[k].passing) for s in streams])
        for k, finer in enumerate(classes[1:])
    ]
    unit = classes[0].size.rpartition(" ")[2]
    tables = [table([named(s) for s in streams], passing, f"Passing ({unit}), %")]
    for j, assay in enumerate(classes[0].assays):
        known = [s for s in streams if any(c.assays[j].value is not None for c in s.sizes)]
        columns = [
            Column(size.size, [shown(s.sizes[k].assays[j]) for s in known])
            for k, size in enumerate(classes)
        ]
        heading = f"{assay.component} by size, {assay.unit}"
        tables.append(table([named(s) for s in known], columns, heading))
    return tables


def _products(products: Sequence[ProductRecovery]) -> list[str]:
    return [with_period(p.product, p.period) for p in products]


def recoveries(reply: BalanceReply) -> list[str]:
    """Give the recoveries of the components."""
    if not reply.recoveries or not reply.recoveries[0].products:
        return []
    return table(
        _products(reply.recoveries[0].products),
        [Column(r.component, [shown(p) for p in r.products]) for r in reply.recoveries],
        "Recovery, %",
    )


def recoveries_by_size(reply: BalanceReply) -> list[list[str]]:
    """Give the recoveries of each size class."""
    tables = []
    for of in dict.fromkeys(r.of for r in reply.recoveries_by_size):
        alike = [r for r in reply.recoveries_by_size if r.of == of]
        columns = [Column(r.size, [shown(p) for p in r.products]) for r in alike]
        tables.append(table(_products(alike[0].products), columns, f"Recovery of {of} by size, %"))
    return tables


def legend(reply: BalanceReply) -> list[str]:
    """Explain the brackets and words that the tables use, and only those."""
    graded = _graded(reply)
    assays = [assay for s in graded for assay in (*s.assays, *s.analytes)]
    classes = {s.mass.class_ for s in reply.streams} | {assay.class_ for assay in assays}
    for size in (size for stream in graded for size in stream.sizes):
        classes |= {size.share.class_, *(assay.class_ for assay in size.assays)}
    used = (
        (any(a.reading is None and a.value is not None for a in assays), _BRACKETS),
        (Knowledge.UNOBSERVABLE in classes, _UNKNOWN),
        (Knowledge.UNDEFINED in classes, _UNDEFINED),
    )
    said = [sentence for is_used, sentence in used if is_used]
    return paragraph(" ".join(said)) if said else []
