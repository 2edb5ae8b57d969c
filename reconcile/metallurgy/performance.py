"""
What was separated: yields, grades, recoveries and what follows from them.

A feed is parted into products that stand in an order, the order of the fields in a magnetic test.
Each figure is given for each product, and for the products up to and with it.  With solids ``s``,
an amount ``a`` of what is looked at, a feed F and the content ``m`` of the pure mineral:

- yield ``s/s_F``, grade ``a/s``, recovery ``a/a_F``, enrichment ratio ``(a/s) / (a_F/s_F)``;
- recovery of the gangue, all that is not the mineral: ``(s - a/m) / (s_F - a_F/m)``;
- separation efficiency, the recovery of the mineral less that of the gangue (Schulz 1970; with a
  grade ``c``, a feed grade ``f`` and a yield ``C`` it is ``C m (c-f) / ((m-f) f)``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from reconcile.balance import Known
from reconcile.flowsheet import SIZES, SOLIDS, Part, Quantity
from reconcile.measurands import Measurand

from .amounts import Amounts, Figures, amount_of, amounts_of

if TYPE_CHECKING:
    from reconcile.flowsheet import Flowsheet
    from reconcile.kernel.problem import Floats
    from reconcile.linearisation import Linearisation

_EVEN = 1e-9
"""Shares of the feed that differ by less run level: rounding must not turn a curve round."""


@dataclass(frozen=True)
class Series:
    """
    A feed, one stream or several, and products in order.

    ``pure`` is, for components that belong to one mineral, their content in it when pure (mass
    fraction; 1 for the mineral itself).  ``parts`` are the components that together describe what
    a product is made of.
    """

    feed: tuple[str, ...]
    products: tuple[str, ...]
    pure: Mapping[str, float] = field(default_factory=dict)
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """
    Figures of one product, or of the products up to one; all fractions.

    ``together`` is the correlation of the errors of grade and recovery.  ``gangue`` (its recovery)
    and ``efficiency`` are there where the content of the pure mineral is given.
    """

    grade: Known
    recovery: Known
    enrichment: Known
    together: float | None
    gangue: Known | None = None
    efficiency: Known | None = None


@dataclass(frozen=True)
class Separation:
    """
    Where something of the feed goes: a component or analyte, in all or in one size class.

    ``products`` one by one, ``cumulative`` from the first; ``backwards`` from the last, when that
    is the end at which it collects.
    """

    of: str
    size: str | None
    head: Known
    products: tuple[Place, ...]
    cumulative: tuple[Place, ...]
    backwards: tuple[Place, ...] | None


@dataclass(frozen=True)
class Yields:
    """Share of the solids of the feed, or of a size class of it, in each product, and added up."""

    size: str | None
    products: tuple[Known, ...]
    cumulative: tuple[Known, ...]


@dataclass(frozen=True)
class Performance:
    """
    What was separated.

    ``elsewhere`` is the share of the feed's solids in none of the products; ``others`` the share of
    each product's solids that is none of the parts asked for, empty if none was.
    """

    yields: tuple[Yields, ...]
    separations: tuple[Separation, ...]
    elsewhere: Known
    others: tuple[Known, ...]


def performance(at: Linearisation, series: Series) -> Performance:
    """
    Give what was separated along a series of products, at the solution of a balance.

    Raises ``KeyError`` if the series names what the flowsheet does not have.
    """
    sheet = at.solution.plan.model.flowsheet
    whole = _Solids(at, series, None)
    sizes: list[str | None] = [None, *_classes(sheet)]
    separations = [
        _separation(at, series, of, size)
        for size in sizes
        for of in ((*sheet.components, *sheet.analytes) if size is None else sheet.sized)
    ]
    return Performance(
        tuple(_Solids(at, series, size).yields() for size in sizes),
        tuple(separations),
        whole.elsewhere(),
        _others(at, series),
    )


def _classes(sheet: Flowsheet) -> tuple[str, ...]:
    """Size classes that no node alters, so that recoveries in them mean something."""
    altered = any(SIZES in what for what in sheet.alters.values())
    return () if altered else sheet.classes


def _quantity(of: str, size: str | None) -> Quantity:
    return of if size is None else Part(of, size)


def _up_to(count: int) -> Floats:
    """Weights that add up products from the first, (count, count)."""
    return np.tri(count)


@dataclass(frozen=True)
class _Solids:
    """The solids of a series, in all or in one size class."""

    at: Linearisation
    series: Series
    size: str | None

    def _amounts(self) -> tuple[Amounts, Figures, Figures]:
        """Give the amounts, those of the products as figures, and that of the feed for each."""
        sheet = self.at.solution.plan.model.flowsheet
        of = amount_of(sheet, _quantity(SOLIDS, self.size))
        found = amounts_of(self.at, _places(self.series, of))
        count = len(self.series.products)
        return found, found.figures(range(count)), found.figures([count] * count)

    def yields(self) -> Yields:
        """Give the yields."""
        found, products, feed = self._amounts()
        added = products.added(_up_to(len(self.series.products)))
        single, together = (p.over(feed, found.tiny[-1]) for p in (products, added))
        alone, so_far = found.settled(single, together)
        return Yields(self.size, tuple(alone), tuple(so_far))

    def elsewhere(self) -> Known:
        """Give the share of the feed that is in none of the products."""
        found, products, feed = self._amounts()
        one = feed.at(np.array([0]))
        left = one - products.added(np.ones((1, len(self.series.products))))
        ((known,),) = found.settled(left.over(one, found.tiny[-1]))
        return known


def _places(series: Series, *measurands: Measurand) -> list[tuple[tuple[str, ...], Measurand]]:
    """Give each measurand in each product and then in the feed."""
    streams = [*((product,) for product in series.products), series.feed]
    return [(names, of) for of in measurands for names in streams]


def _separation(at: Linearisation, series: Series, of: str, size: str | None) -> Separation:
    sheet, count = at.solution.plan.model.flowsheet, len(series.products)
    wanted = (amount_of(sheet, _quantity(SOLIDS, size)), amount_of(sheet, _quantity(of, size)))
    found = amounts_of(at, _places(series, *wanted))
    parting = _Parting(found, count, series.pure.get(of))
    last = parting.collects_last()
    sums = [np.eye(count), _up_to(count), *([_up_to(count)[:, ::-1]] if last else [])]
    head, places = parting.told(np.vstack(sums))
    backwards = places[2 * count :] if last else None
    return Separation(of, size, head, places[:count], places[count : 2 * count], backwards)


@dataclass(frozen=True)
class _Parting:
    """Solids and something in them, of the products and the feed, in this order."""

    amounts: Amounts
    count: int
    pure: float | None

    def _feed(self, rows: int) -> tuple[Figures, Figures]:
        """Give solids and the other of the feed, once for each row."""
        at = self.count, 2 * self.count + 1
        solids, other = (self.amounts.figures([place] * rows) for place in at)
        return solids, other

    def _products(self) -> tuple[Figures, Figures]:
        first = np.arange(self.count)
        return self.amounts.figures(first), self.amounts.figures(first + self.count + 1)

    @property
    def _tiny(self) -> tuple[float, float]:
        """What is nothing beside the feed: of the solids, and of the other."""
        tiny = self.amounts.tiny
        return float(tiny[self.count]), float(tiny[2 * self.count + 1])

    def told(self, weights: Floats) -> tuple[Known, tuple[Place, ...]]:
        """Give the grade of the feed, and the figures of sums of products (sums, products)."""
        rows, tiny = len(weights), self._tiny
        solids, other = (figures.added(weights) for figures in self._products())
        feed_solids, feed_other = self._feed(rows)
        head = feed_other.over(feed_solids, tiny[0])
        grade = other.over(solids, tiny[0])
        recovery = other.over(feed_other, tiny[1])
        wanted = [head.at(np.zeros(1, dtype=np.int64)), grade, recovery, grade.over(head, 0.0)]
        if self.pure is not None:
            rest, feed_rest = (
                s - o.times(1 / self.pure) for s, o in ((solids, other), (feed_solids, feed_other))
            )
            gangue = rest.over(feed_rest, tiny[0])
            wanted += [gangue, recovery - gangue]
        of_head, *columns = self.amounts.settled(*wanted)
        together = self.amounts.correlations(grade, recovery)
        plain = [Place(*known) for known in zip(*columns[:3], together, strict=True)]
        if self.pure is not None:
            more = zip(plain, *columns[3:], strict=True)
            plain = [replace(p, gangue=q, efficiency=s) for p, q, s in more]
        return of_head[0], tuple(plain)

    def collects_last(self) -> bool:
        """Say whether it is over the last products that it runs ahead of the solids."""
        solids, other = self._products()
        feed_solids, feed_other = self._feed(1)
        if feed_solids.value[0] <= self._tiny[0] or feed_other.value[0] <= self._tiny[1]:
            return False
        ahead = other.value / feed_other.value[0] - solids.value / feed_solids.value[0]
        return bool(np.cumsum(ahead)[:-1].sum() < -_EVEN)


def _others(at: Linearisation, series: Series) -> tuple[Known, ...]:
    """Give the share of each product that is none of the parts."""
    if not series.parts:
        return ()
    sheet, count = at.solution.plan.model.flowsheet, len(series.products)
    listed = Measurand("listed", tuple((part, 1.0) for part in series.parts))
    found = amounts_of(at, _places(series, amount_of(sheet, SOLIDS), listed))
    solids = found.figures(range(count))
    parts = found.figures(range(count + 1, 2 * count + 1))
    (others,) = found.settled((solids - parts).over(solids, found.tiny[count]))
    return tuple(others)
