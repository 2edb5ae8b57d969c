"""What was separated, from the engine's figures to the reply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import chi2

from reconcile import Known
from reconcile.metallurgy.heads import Head
from reconcile.metallurgy.performance import Performance, Place, Separation, Series
from reconcile.metallurgy.question import Answer
from service.balances.reply import (
    CurvePoint,
    Figure,
    GradeRecoveryCurve,
    LimitPoint,
    SeparationFigures,
    SeparationPlace,
    SeriesPerformance,
    SeriesYield,
    Share,
    SizeYields,
)
from service.balances.reply.performance import Basis
from service.balances.terms.performance import is_mineral
from service.kit.units import UNITS

from . import said
from .heads import heads_of
from .makeup import makeup_of
from .terms import PERCENT, Answering, times

LEVEL = 0.95
"""Coverage of the ellipses of a grade-recovery curve, the usual level of the trade."""

RADIUS = float(chi2.isf(1 - LEVEL, df=2)) ** 0.5
"""Half axes of the ellipse that covers at that level, in standard deviations."""

RATIO = "1"
"""Unit of a plain ratio (UCUM)."""


def performance_of(it: Answering, found: Answer) -> list[SeriesPerformance]:
    """Give what was separated along each series asked for; nothing where it could not be told."""
    beyond = it.intake.terms.beyond
    pairs = zip(beyond.names, beyond.question.series, strict=True)
    return [
        _Telling(it, name, series, performance).whole(heads)
        for (name, series), performance, heads in zip(
            pairs, found.performances, found.heads, strict=False
        )
    ]


@dataclass(frozen=True)
class _Telling:
    """One series on its way to the reply."""

    it: Answering
    name: str
    series: Series
    found: Performance

    def whole(self, heads: Sequence[Head]) -> SeriesPerformance:
        """Give the series."""
        separations = [self._separation(s) for s in self.found.separations]
        return SeriesPerformance(
            name=self.name,
            feed=list(self.series.feed),
            products=list(self.series.products),
            statements=said.about_series(
                self.it.share(self.found.elsewhere), separations, self.it.balance.test
            ),
            elsewhere=self.it.share(self.found.elsewhere),
            yields=[self._yields(k) for k in range(len(self.found.yields))],
            separations=separations,
            heads=heads_of(self.it, heads),
            makeup=makeup_of(self.it, self.series, self.found),
        )

    def _yields(self, k: int) -> SizeYields:
        found = self.found.yields[k]
        rows = zip(self.series.products, found.products, found.cumulative, strict=True)
        return SizeYields(
            size=found.size,
            products=[
                SeriesYield(product=p, alone=self.it.share(a), cumulative=self.it.share(c))
                for p, a, c in rows
            ],
        )

    def _separation(self, found: Separation) -> SeparationFigures:
        unit, products = self.it.sheet.unit_of(found.of), self.series.products
        pure = self.series.pure.get(found.of)
        singles = [
            self._place(p, place, unit) for p, place in zip(products, found.products, strict=True)
        ]
        sums = [
            self._place(p, place, unit) for p, place in zip(products, found.cumulative, strict=True)
        ]
        curve = self._curve(found, unit)
        return SeparationFigures(
            of=found.of,
            basis=self._basis(found.of),
            size=found.size,
            unit=unit,
            pure=times(pure, UNITS[unit].per_whole),
            head=grade_of(found.head, unit),
            products=singles,
            cumulative=sums,
            curve=curve,
            statement=said.about_separation(
                found.of, found.size, grade_of(found.head, unit), singles, self._alone(found.size)
            ),
        )

    def _alone(self, size: str | None) -> list[Share]:
        """Give the yields of the products one by one."""
        found = next(y for y in self.found.yields if y.size == size)
        return [self.it.share(y) for y in found.products]

    def _basis(self, of: str) -> Basis:
        components = {c.name: c for c in self.it.sheet.wire.components}
        if of not in components:
            return "analyte"
        return "mineral" if is_mineral(components[of], self.it.sheet) else "component"

    def _place(self, product: str, place: Place, unit: str) -> SeparationPlace:
        return SeparationPlace(
            product=product,
            grade=grade_of(place.grade, unit),
            recovery=self.it.share(place.recovery),
            enrichment=figure_of(place.enrichment, 1.0, RATIO),
            gangue_recovery=self._maybe(place.gangue),
            separation_efficiency=self._maybe(place.efficiency),
        )

    def _maybe(self, known: Known | None) -> Share | None:
        return None if known is None else self.it.share(known)

    def _curve(self, found: Separation, unit: str) -> GradeRecoveryCurve:
        """Give the curve from the end at which it collects."""
        last = found.backwards is not None
        places = found.cumulative if found.backwards is None else found.backwards
        products = self.series.products[::-1] if last else self.series.products
        head, pure = found.head.value, self.series.pure.get(found.of)
        corners = None if head is None else [(0.0, head), (1.0, head)]
        perfect = None
        if head is not None and pure is not None and pure > head:
            perfect = [(0.0, pure), (1.0, pure), (1.0, head)]
        return GradeRecoveryCurve(
            begins_with="the last product" if last else "the first product",
            unit=unit,
            points=[
                CurvePoint(
                    product=product,
                    recovery=self.it.share(place.recovery),
                    grade=grade_of(place.grade, unit),
                    correlation=place.together if place.recovery.value is not None else None,
                )
                for product, place in zip(products, places, strict=True)
            ],
            level=LEVEL,
            radius=RADIUS,
            perfect=_points(perfect, unit),
            splitting=_points(corners, unit),
            statement=said.about_curve(
                found.of, products[0], last=last, head=found.head, pure=pure
            ),
        )


def _points(corners: list[tuple[float, float]] | None, unit: str) -> list[LimitPoint] | None:
    if corners is None:
        return None
    factor = UNITS[unit].per_whole
    return [LimitPoint(recovery=PERCENT * r, grade=g * factor) for r, g in corners]


def figure_of(known: Known, factor: float, unit: str) -> Figure:
    """Give a figure in a unit, ``factor`` of which make one of the engine's."""
    return Figure(
        value=times(known.value, factor),
        sd=times(known.sd, factor),
        class_=known.knowledge,
        unit=unit,
    )


def grade_of(known: Known, unit: str) -> Figure:
    """Give a grade in its unit."""
    return figure_of(known, UNITS[unit].per_whole, unit)
