"""Warnings in words: what is allowed, but worth a look."""

from __future__ import annotations

from collections.abc import Iterator

from service.kit.units import from_fraction, to_fraction

from .answer.terms import Answering
from .terms.measured import AMOUNTS
from .terms.readings import Entry

HIGH_RELATIVE_SD = 1.0
"""A relative sd above this is more likely meant in percent."""


def _said(entry: Entry) -> str:
    what = entry.words if entry.words in AMOUNTS else f"assay of {entry.words}"
    return f"The {what} in {entry.place.words}"


def _of_reading(entry: Entry) -> Iterator[str]:
    value, relative_sd = entry.value, entry.relative_sd
    if value is not None and value < 0 and entry.sd and not entry.may_be_negative:
        yield (
            f"{_said(entry)} is negative ({value:.6g} {entry.unit}, {-value / entry.sd:.2g} times "
            "its sd below zero). It is taken as read; the reconciled value cannot be negative. "
            "Check the blank correction or the tare."
        )
    if relative_sd is not None and relative_sd > HIGH_RELATIVE_SD:
        yield (
            f"{_said(entry)} has a relative sd of {relative_sd:.6g}, which is "
            f"{100 * relative_sd:.6g} %: relative_sd is a fraction, so 2 % is 0.02."
        )


def _above_theoretical(it: Answering) -> Iterator[str]:
    for component in it.sheet.wire.components:
        if component.theoretical is None:
            continue
        limit = to_fraction(component.theoretical, component.unit)
        for name in it.sheet.unrolled.streams.values():
            assay = it.balance.assays[name, component.name]
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
                    f"The assay of {component.name} in '{name}' ({figures}) is above the "
                    f"theoretical content of {component.theoretical:g} {component.unit}. Altered "
                    "minerals can be; otherwise check the reading."
                )


def warnings_of(it: Answering) -> list[str]:
    """Give everything worth a look in the request and its balance, in sentences."""
    of_readings = [warning for entry in it.intake.terms.entries for warning in _of_reading(entry)]
    return [
        *of_readings,
        *_above_theoretical(it),
        *it.balance.warnings,
    ]
