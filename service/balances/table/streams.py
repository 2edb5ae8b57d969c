"""Tables with a row for each stream, stock or product."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile import Knowledge
from service.balances.reply import BalanceReply, ProductRecovery, StreamBalance
from service.report.document import Cell, Column, Row, Table

from .cells import adjustment, bracketed, named, read, value_of, with_period

BRACKETS = "In brackets: not read, follows from the balance."
UNKNOWN = "Unknown: not read, and the readings do not determine it."
UNDEFINED = "Undefined: a ratio over a stream or feed of zero."

Filled = tuple[Column, Sequence[Cell]]
"""A column with its cells."""


def tabled(
    caption: str,
    corner: str,
    names: Sequence[str],
    columns: Sequence[Filled],
    *,
    unit: str | None = None,
    units: Sequence[str] | None = None,
) -> Table:
    """Give a table from its columns, with one unit for those that have none, or one a row."""
    rows = (
        Row(name, tuple(cells[k] for _, cells in columns), None if units is None else units[k])
        for k, name in enumerate(names)
    )
    heads = tuple(column for column, _ in columns)
    return Table(caption, corner, heads, tuple(rows), unit=unit)


def _heading(words: str, unit: str | None) -> str:
    return Column(words, unit).text


def masses(reply: BalanceReply) -> Table:
    """Give the masses of all streams."""
    streams = reply.streams
    unit = streams[0].mass.unit
    return tabled(
        "Masses of dry solids",
        _heading("Mass", unit),
        [named(stream) for stream in streams],
        [
            (Column("read"), [read(s.mass) for s in streams]),
            (Column("reconciled"), [value_of(s.mass) for s in streams]),
            (Column("adjustment"), [adjustment(s.mass) for s in streams]),
            (Column("yield", "%"), [value_of(s.yield_) for s in streams]),
        ],
        unit=unit,
    )


def waters(reply: BalanceReply) -> Table | None:
    """Give the water of all streams."""
    wet = [(named(s), s.water) for s in reply.streams if s.water is not None]
    if not wet:
        return None
    unit = wet[0][1].mass.unit
    return tabled(
        "Water",
        "Water",
        [name for name, _ in wet],
        [
            (Column("water", unit), [value_of(w.mass) for _, w in wet]),
            (Column("wet mass", unit), [value_of(w.wet_mass) for _, w in wet]),
            (Column("moisture", "%"), [value_of(w.moisture) for _, w in wet]),
            (Column("solids", "%"), [value_of(w.percent_solids) for _, w in wet]),
        ],
    )


def stocks(reply: BalanceReply) -> Table | None:
    """Give the stocks, dry solids."""
    if not reply.stocks:
        return None
    return tabled(
        "Stocks of dry solids",
        _heading("Stock", reply.stocks[0].opening.mass.unit),
        [with_period(stock.node, stock.period) for stock in reply.stocks],
        [
            (Column("opening"), [value_of(s.opening.mass) for s in reply.stocks]),
            (Column("closing"), [value_of(s.closing.mass) for s in reply.stocks]),
            (Column("change"), [value_of(s.change.mass) for s in reply.stocks]),
        ],
        unit=reply.stocks[0].opening.mass.unit,
    )


def graded(streams: Sequence[StreamBalance]) -> list[StreamBalance]:
    """Give the streams that have grades: those that hold solids and are no mere difference."""
    return [s for s in streams if s.mass.value != 0 and s.role != "unaccounted"]


def assays(reply: BalanceReply) -> Table | None:
    """Give the assays of the components."""
    streams = graded(reply.streams)
    columns = [
        (Column(assay.component, assay.unit), [bracketed(s.assays[k]) for s in streams])
        for k, assay in enumerate(streams[0].assays if streams else ())
    ]
    return tabled("Assays", "Assays", [named(s) for s in streams], columns) if columns else None


def analytes(reply: BalanceReply) -> Table | None:
    """Give what a laboratory would report where the components are minerals."""
    streams = graded(reply.streams)
    columns: list[Filled] = [
        (Column(assay.analyte, assay.unit), [bracketed(s.analytes[k]) for s in streams])
        for k, assay in enumerate(streams[0].analytes if streams else ())
    ]
    if any(s.oxide_total is not None for s in streams):
        totals = ["" if s.oxide_total is None else value_of(s.oxide_total) for s in streams]
        columns.append((Column("oxides in all", "%"), totals))
    return tabled("Analytes", "Analytes", [named(s) for s in streams], columns) if columns else None


def sizes(reply: BalanceReply) -> list[Table]:
    """Give what passes each aperture, then the assays by size; rows of nothing known left out."""
    known = [s for s in graded(reply.streams) if any(z.share.value is not None for z in s.sizes)]
    if not known:
        return []
    classes = known[0].sizes
    # What passes the lower aperture of a class is all that is finer than the next one's upper.
    passing = [
        (Column(finer.size.partition(" ")[0]), [value_of(s.sizes[k].passing) for s in known])
        for k, finer in enumerate(classes[1:])
    ]
    unit = classes[0].size.rpartition(" ")[2]
    tables = [
        tabled(
            f"Passing ({unit}), %",
            f"Passing ({unit}), %",
            [named(s) for s in known],
            passing,
            unit="%",
        )
    ]
    for j, assay in enumerate(classes[0].assays):
        assayed = [s for s in known if any(c.assays[j].value is not None for c in s.sizes)]
        columns = [
            (Column(size.size), [value_of(s.sizes[k].assays[j]) for s in assayed])
            for k, size in enumerate(classes)
        ]
        heading = f"{assay.component} by size, {assay.unit}"
        names = [named(s) for s in assayed]
        tables.append(tabled(heading, heading, names, columns, unit=assay.unit))
    return tables


def _products(products: Sequence[ProductRecovery]) -> list[str]:
    return [with_period(p.product, p.period) for p in products]


def recoveries(reply: BalanceReply) -> Table | None:
    """Give the recoveries of the components."""
    if not reply.recoveries or not reply.recoveries[0].products:
        return None
    return tabled(
        "Recovery, % of what is fed",
        "Recovery, %",
        _products(reply.recoveries[0].products),
        [(Column(r.component), [value_of(p) for p in r.products]) for r in reply.recoveries],
        unit="%",
    )


def recoveries_by_size(reply: BalanceReply) -> list[Table]:
    """Give the recoveries of each size class."""
    tables = []
    for of in dict.fromkeys(r.of for r in reply.recoveries_by_size):
        alike = [r for r in reply.recoveries_by_size if r.of == of]
        heading = f"Recovery of {of} by size, %"
        columns = [(Column(r.size), [value_of(p) for p in r.products]) for r in alike]
        names = _products(alike[0].products)
        tables.append(tabled(heading, heading, names, columns, unit="%"))
    return tables


def legend(reply: BalanceReply) -> list[str]:
    """Explain the brackets and words that the tables use, and only those."""
    shown = graded(reply.streams)
    assays = [assay for s in shown for assay in (*s.assays, *s.analytes)]
    classes = {s.mass.class_ for s in reply.streams} | {assay.class_ for assay in assays}
    for size in (size for stream in shown for size in stream.sizes):
        classes |= {size.share.class_, *(assay.class_ for assay in size.assays)}
    used = (
        (any(a.reading is None and a.value is not None for a in assays), BRACKETS),
        (Knowledge.UNOBSERVABLE in classes, UNKNOWN),
        (Knowledge.UNDEFINED in classes, UNDEFINED),
    )
    said = [sentence for is_used, sentence in used if is_used]
    return [" ".join(said)] if said else []
