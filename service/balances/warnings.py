"""Warnings in words: what is allowed, but worth a look."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.balance import Balance
from service.kit.units import from_fraction, to_fraction

from .schemas import MASS, BalanceRequest, ReadingObject

HIGH_RELATIVE_SD = 1.0
"""A relative sd above this is more likely meant in percent."""


def _unit(request: BalanceRequest, reading: ReadingObject) -> str:
    if reading.unit is not None:
        return reading.unit
    if reading.of == MASS:
        return request.flowsheet.mass_unit or ""
    return next(str(c.unit) for c in request.flowsheet.components if c.name == reading.of)


def _said(reading: ReadingObject) -> str:
    what = "mass" if reading.of == MASS else f"assay of {reading.of}"
    return f"The {what} in '{reading.stream}'"


def _of_reading(request: BalanceRequest, reading: ReadingObject) -> Iterator[str]:
    if reading.value is None:
        return
    unit = _unit(request, reading)
    if reading.value < 0 and reading.sd:
        sds = -reading.value / reading.sd
        yield (
            f"{_said(reading)} is negative ({reading.value:.6g} {unit}, {sds:.2g} times its sd "
            "below zero). It is taken as read; the reconciled value cannot be negative. "
            "Check the blank correction or the tare."
        )
    if reading.relative_sd is not None and reading.relative_sd > HIGH_RELATIVE_SD:
        yield (
            f"{_said(reading)} has a relative sd of {reading.relative_sd:.6g}, which is "
            f"{100 * reading.relative_sd:.6g} %: relative_sd is a fraction, so 2 % is 0.02."
        )


def _above_theoretical(request: BalanceRequest, balance: Balance) -> Iterator[str]:
    for component in request.flowsheet.components:
        if component.theoretical is None:
            continue
        limit = to_fraction(component.theoretical, component.unit)
        for stream in request.flowsheet.streams:
            assay = balance.assays[stream.name, component.name]
            high = {
                word: from_fraction(content, component.unit)
                for word, content in (("read", assay.reading), ("reconciled", assay.value))
                if content is not None and content > limit
            }
            if high:
                figures = ", ".join(
                    f"{content:.5g} {component.unit} {word}" for word, content in high.items()
                )
                yield (
                    f"The assay of {component.name} in '{stream.name}' ({figures}) is above the "
                    f"theoretical content of {component.theoretical:g} {component.unit}. Altered "
                    "minerals can be; otherwise check the reading."
                )


def warnings_of(request: BalanceRequest, balance: Balance) -> list[str]:
    """Give everything worth a look in the request and its balance, in sentences."""
    of_readings = [w for reading in request.readings for w in _of_reading(request, reading)]
    return [*of_readings, *_above_theoretical(request, balance), *balance.warnings]
