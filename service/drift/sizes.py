"""Biases and sds of one instrument in the units of its readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from reconcile.drift import Drift
from service.kit.figures import value_and_sd
from service.kit.units import convert

from .reply import Size
from .terms import Label, SeriesTerms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PERCENT = 100.0

NEAR_ZERO = 5.0
"""Readings of fewer sds than this are near zero, and percents of them mislead."""


@dataclass(frozen=True)
class Shown:
    """An instrument with its readings over the series."""

    name: str
    labels: tuple[Label, ...]
    values: Floats
    sds: Floats

    @property
    def label(self) -> Label | None:
        """Its only reading, if it has no more."""
        return self.labels[0] if len(self.labels) == 1 else None

    @cached_property
    def unit(self) -> str | None:
        """The unit of its only reading."""
        return self.label.unit if self.label else None

    def sd_of(self, shifts: slice = slice(None)) -> float | None:
        """Give the mean stated sd in the unit of its only reading."""
        if self.label is None:
            return None
        mean = float(np.nanmean(self.sds[shifts]))
        return convert(mean, self.label.base, self.label.unit)

    def percent_of(self, shifts: slice = slice(None)) -> float | None:
        """Give the usual stated sd in percent of the readings; none where they are near zero."""
        values, sds = np.abs(self.values[shifts]), self.sds[shifts]
        read = ~np.isnan(values)
        if not read.any():
            return None
        usual, sd = float(np.median(values[read])), float(np.median(sds[read]))
        return PERCENT * sd / usual if usual > NEAR_ZERO * sd else None

    def size(self, sds: float, sds_sd: float | None, shifts: slice) -> Size:
        """Give a bias of so many stated sds over these shifts in all its units."""
        one, percent = self.sd_of(shifts), self.percent_of(shifts)
        return Size(
            sds=sds,
            sds_sd=sds_sd,
            value=_times(one, sds),
            sd=_times(one, sds_sd),
            unit=self.unit,
            percent=_times(percent, sds),
            percent_sd=_times(percent, sds_sd),
        )

    @property
    def advice(self) -> str:
        """Say what to check."""
        if all(label.is_amount for label in self.labels):
            return "check its zero and span against a known load"
        if any(label.is_amount for label in self.labels):
            return "check it, and how its samples are taken"
        return "check how it is sampled, and assay kept samples again beside a control"


def _times(number: float | None, factor: float | None) -> float | None:
    return None if number is None or factor is None else number * factor


def shown(terms: SeriesTerms, drift: Drift) -> list[Shown]:
    """Give every instrument of the series, in the order of the findings."""
    result = []
    for g in range(drift.instruments.count):
        mine = np.flatnonzero(drift.instruments.of == g)
        labels = tuple(terms.labels[drift.subjects[k]] for k in mine)
        result.append(
            Shown(_name(terms, labels, g), labels, drift.values[:, mine], drift.sds[:, mine])
        )
    return result


def _name(terms: SeriesTerms, labels: Sequence[Label], g: int) -> str:
    return terms.instruments[g].name if g < len(terms.instruments) else labels[0].name


def size_in_words(size: Size) -> str:
    """Write a size without its sign: '2.90 ± 0.18 t/h (1.9 %)'."""
    if size.value is None or size.unit is None:
        value, sd, unit = size.sds, size.sds_sd, "stated sds"
    else:
        value, sd, unit = size.value, size.sd, size.unit
    shown_value, error = value_and_sd(abs(value), sd) if sd else (f"{abs(value):.2g}", "")
    sign = f" ± {error}" if error else ""
    percent = "" if size.percent is None else f" ({abs(size.percent):.2g} % of the reading)"
    return f"{shown_value}{sign} {unit}{percent}"


def side(size: Size) -> str:
    """Say to which side."""
    return "high" if size.sds > 0 else "low"
