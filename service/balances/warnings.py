"""Warnings in words: what is allowed, but worth a look."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from reconcile import SOLIDS, Knowledge
from reconcile.flowsheet import SIZES, Content
from reconcile.minerals import in_words, resolution
from service.kit.units import from_fraction, to_fraction

from .answer.terms import Answering
from .schemas import ReadingObject
from .terms.measured import AMOUNTS
from .terms.readings import Entry

HIGH_RELATIVE_SD = 1.0
"""A relative sd above this is more likely meant in percent."""

MISFIT = 3.0
"""Standardised adjustment from which a reading of sizes is taken to contradict the balance."""

_NO_CONTENT = Content(0.0, 0.0)


def _said(entry: Entry) -> str:
    what = entry.words if entry.words in AMOUNTS else f"assay of {entry.words}"
    return f"The {what} in {entry.place.words}"


def _of_reading(entry: Entry, wire: ReadingObject) -> Iterator[str]:
    value = entry.value
    if value is not None and value < 0 and entry.sd and not entry.may_be_negative:
        yield (
            f"{_said(entry)} is negative ({value:.6g} {entry.unit}, {-value / entry.sd:.2g} times "
            "its sd below zero). It is taken as read; the reconciled value cannot be negative. "
            "Check the blank correction or the tare."
        )
    if wire.relative_sd is not None and wire.relative_sd > HIGH_RELATIVE_SD:
        yield (
            f"{_said(entry)} has a relative sd of {wire.relative_sd:.6g}, which is "
            f"{100 * wire.relative_sd:.6g} %: relative_sd is a fraction, so 2 % is 0.02."
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


def _unresolved_minerals(it: Answering) -> Iterator[str]:
    """Say which minerals the analytes cannot tell apart, where nothing else tells them."""
    sheet = it.sheet.flowsheet
    if not sheet.contents:
        return
    whole = [m for whole in sheet.wholes for m in whole.components]
    minerals = list(dict.fromkeys((*sheet.contents, *whole)))
    rows = [
        [sheet.contents.get(m, {}).get(a, _NO_CONTENT) for m in minerals] for a in sheet.analytes
    ]
    rows += [
        [Content(float(m in whole.components), 0.0) for m in minerals] for whole in sheet.wholes
    ]
    found = resolution(
        [[content.value for content in row] for row in rows],
        [[content.sd for content in row] for row in rows],
    )
    open_ones = {
        component
        for (_, component), assay in it.balance.assays.items()
        if assay.knowledge is Knowledge.UNOBSERVABLE
    }
    for mixture, sentence in zip(found.mixtures.T, in_words(found, minerals), strict=True):
        if any(minerals[k] in open_ones for k in np.flatnonzero(mixture)):
            yield (
                f"{sentence} Read one of them on its own, by grain counts or a separation, or an "
                "analyte that tells them apart."
            )


def _broken_sizes(it: Answering) -> Iterator[str]:
    """
    Say where sizes may be balanced over a mill by mistake, as the readings of sizes contradict it.

    A mill has one product; a node with several separates, which alters no sizes.
    """
    sheet = it.sheet.flowsheet
    misfits = {
        name
        for entry in it.intake.terms.entries
        if entry.is_of_size and abs(it.balance.readings[entry.at[0]].standardised or 0.0) > MISFIT
        for name in entry.place.names
    }
    for node, (name, period) in it.nodes.items():
        out = [s for s in sheet.streams if s.source == node and sheet.holds(s, SOLIDS)]
        around = {s.name for s in sheet.streams if node in (s.source, s.target)}
        balanced = SIZES not in sheet.alters.get(node, frozenset())
        if balanced and len(out) == 1 and around & misfits:
            where = f" in {period}" if period is not None else ""
            yield (
                f"Sizes are balanced over '{name}'{where}, and readings of sizes around it "
                "contradict that. If it breaks or wears particles (a mill, an attritioner), give "
                'the node \'"alters": ["sizes"]\'.'
            )


def warnings_of(it: Answering) -> list[str]:
    """Give everything worth a look in the request and its balance, in sentences."""
    readings = it.intake.request.readings
    of_readings = [
        warning
        for entry in it.intake.terms.entries
        for warning in _of_reading(entry, readings[int(entry.where[1])])
    ]
    return [
        *of_readings,
        *_above_theoretical(it),
        *_unresolved_minerals(it),
        *_broken_sizes(it),
        *it.balance.warnings,
    ]
