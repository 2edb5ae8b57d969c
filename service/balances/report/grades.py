"""Grade against recovery of each component over the products."""

from __future__ import annotations

from service.balances.reply import BalanceReply, Recovery
from service.balances.table.cells import with_period
from service.report.document import Block, Chart, Column, Paragraph, Row, Table, Value
from service.report.drawings import Curve, Ink, Places, Point

MOST_CHARTS = 8
"""Components that are drawn; the tables hold all of them."""

COVERAGE = 2.0
"""Error bars reach so many standard deviations either way: about 95 % for a normal error."""

_WHOLE = 100.0
_FEWEST = 2


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give a chart for each component of which two products or more are known."""
    charts = [_chart(reply, k, recovery) for k, recovery in enumerate(reply.recoveries)]
    known = [chart for chart in charts if chart is not None]
    if not known:
        return ()
    said = (
        "Each product stands at its own recovery and grade, with bars of two standard deviations. "
        "The dashed line is the grade of the feed: plain splitting would put every product on it."
    )
    if len(known) > MOST_CHARTS:
        said += f" Of {len(known)} components the first {MOST_CHARTS} are drawn."
    return (Paragraph(said), *known[:MOST_CHARTS])


def _chart(reply: BalanceReply, k: int, recovery: Recovery) -> Chart | None:
    streams = {(s.name, s.period): s for s in reply.streams}
    points, rows = [], []
    for product in recovery.products:
        stream = streams.get((product.product, product.period))
        grade = None if stream is None else stream.assays[k]
        if grade is None or grade.value is None or product.value is None:
            continue
        name = with_period(product.product, product.period)
        half, other = COVERAGE * (product.sd or 0.0), COVERAGE * (grade.sd or 0.0)
        points.append(Point(name, product.value, grade.value, half, other))
        rows.append(Row(name, (Value(product.value, product.sd), Value(grade.value, grade.sd))))
    if len(points) < _FEWEST:
        return None
    unit = next(s.assays[k].unit for s in reply.streams)
    fed = [s.assays[k].value for s in reply.streams if s.role == "feed"]
    curves: tuple[Curve, ...] = ()
    if len(fed) == 1 and fed[0] is not None:
        curves = (Curve("plain splitting", Ink.LIMIT, (0.0, _WHOLE), (fed[0], fed[0])),)
    richest = max(points, key=lambda p: p.y)
    name = recovery.component
    return Chart(
        caption=f"{name}: grade of each product against its recovery",
        alternative=f"{len(points)} products; the richest in {name} is '{richest.name}'. The "
        "figures stand in the tables of products and of recoveries.",
        drawing=Places(f"recovery of {name}, %", f"{name}, {unit}", tuple(points), curves),
        data=Table(
            f"{name}: grade and recovery",
            "Product",
            (Column("recovery", "%"), Column("grade", unit)),
            tuple(rows),
        ),
    )
