"""Grade against recovery of each component over the products."""

from __future__ import annotations

from service.balances.reply import (
    BalanceReply,
    CurvePoint,
    GradeRecoveryCurve,
    Recovery,
    SeparationFigures,
)
from service.balances.table.cells import value_of, with_period
from service.report.document import Block, Chart, Column, Paragraph, Row, Table, Value
from service.report.drawings import Curve, Ink, Places, Point

MOST_CHARTS = 8
"""Components that are drawn; the tables hold all of them."""

COVERAGE = 2.0
"""Error bars reach so many standard deviations either way: about 95 % for a normal error."""

_WHOLE = 100.0
_FEWEST = 2
_OF_PRODUCTS = (
    "Each product stands at its own recovery and grade, with bars of two standard deviations. The "
    "dashed line is the grade of the feed: plain splitting would put every product on it."
)
_OF_CURVES = (
    "Products are added up in their order, from the end at which the mineral collects. Each shaded "
    "ellipse holds recovery and grade together with {level} % probability. Dashed: plain "
    "splitting, which separates nothing, stays at the grade of the feed; perfect separation, where "
    "the pure mineral is known, takes all of it at that grade before anything else."
)


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give curves over the products added up where they were asked for, else the products."""
    curves = [
        _curve(found)
        for series in reply.performance
        for found in series.separations
        if found.size is None and len(_known(found.curve)) >= _FEWEST
    ]
    charts = (_chart(reply, k, recovery) for k, recovery in enumerate(reply.recoveries))
    drawn = curves or [chart for chart in charts if chart is not None]
    if not drawn:
        return ()
    said = _OF_CURVES.format(level=_level(reply)) if curves else _OF_PRODUCTS
    if len(drawn) > MOST_CHARTS:
        said += f" Of {len(drawn)} charts the first {MOST_CHARTS} are shown."
    return (Paragraph(said), *drawn[:MOST_CHARTS])


def _level(reply: BalanceReply) -> str:
    levels = [f.curve.level for series in reply.performance for f in series.separations]
    return f"{_WHOLE * levels[0]:g}"


def _known(curve: GradeRecoveryCurve) -> list[CurvePoint]:
    return [p for p in curve.points if p.recovery.value is not None and p.grade.value is not None]


def _curve(found: SeparationFigures) -> Chart:
    curve, name = found.curve, found.of
    known = _known(curve)
    first = "" if curve.begins_with == "the first product" else ", begun with the last"
    points = tuple(
        Point(
            p.product if k == 0 else f"+ {p.product}",
            p.recovery.value or 0.0,
            p.grade.value or 0.0,
            curve.radius * (p.recovery.sd or 0.0),
            curve.radius * (p.grade.sd or 0.0),
            p.correlation or 0.0,
        )
        for k, p in enumerate(known)
    )
    lines = [Curve("found", Ink.RECONCILED, tuple(p.x for p in points), tuple(p.y for p in points))]
    for what, corners in (("perfect separation", curve.perfect), ("splitting", curve.splitting)):
        if corners:
            x, y = tuple(c.recovery for c in corners), tuple(c.grade for c in corners)
            if len(corners) == 1:
                x, y = (0.0, _WHOLE), (y[0], y[0])
            lines.append(Curve(what, Ink.LIMIT, x, y))
    return Chart(
        caption=f"{name}: grade against recovery over the products added up{first}",
        alternative=f"{curve.statement} The figures stand in the table of {name}.",
        drawing=Places(f"recovery of {name}, %", f"{name}, {curve.unit}", points, tuple(lines)),
        data=Table(
            f"{name}: the curve",
            "Product added",
            (Column("recovery so far", "%"), Column("grade so far", curve.unit)),
            tuple(Row(p.product, (value_of(p.recovery), value_of(p.grade))) for p in known),
        ),
    )


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
