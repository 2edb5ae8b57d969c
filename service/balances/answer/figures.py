"""
All figures of an answer, written in one go; streams, readings and shares then pick theirs.

They stand in one list: first those of everything that follows from the balance, seven for each
(:class:`~.layout.Place`), then those of the readings (:mod:`.readings`).
"""

from __future__ import annotations

import numpy as np
import orjson

from reconcile.columns import KNOWLEDGE, Columns
from service.kit.blanks import Figures, figures_of

from .layout import Place, layout_of
from .own import Own, own_of
from .readings import ReadingFigures
from .terms import Answering

_CLASSES = tuple(orjson.dumps(str(knowledge)) for knowledge in KNOWLEDGE)
"""The classes as they are written."""

_NULL = b"null"

_NOT_READ = (Place.READING, Place.READING_SD, Place.ADJUSTMENT, Place.STANDARDISED)
"""Figures that there are none of where nothing was read; they stand behind the others."""

_OF_READING = {Place.READING: 0, Place.READING_SD: 1, Place.ADJUSTMENT: 4, Place.STANDARDISED: 5}
"""Which figure of its reading each of them is."""


def figures_in(it: Answering, readings: ReadingFigures) -> Figures:
    """
    Write all figures.

    Raises
    ------
    RefusalError
        where one is no number that JSON can carry.
    """
    layout, followed, of_readings = layout_of(it), it.balance.followed.columns, readings.columns
    own = own_of(it, layout) if readings.same is None else None
    parts = [followed.numbers * layout.factors, of_readings.numbers]
    told = [followed.told, of_readings.told]
    if own is not None:
        parts.append(own.numbers)
        told.append(own.told)
    written = figures_of(
        np.concatenate([part.ravel() for part in parts]),
        np.concatenate([part.ravel() for part in told]),
    )
    known, read = 2 * layout.count, of_readings.numbers.size
    nothing = [_NULL] * (len(_NOT_READ) * layout.count)
    figures = [*written[:known], *_classes_of(followed), *nothing]
    told_of = [*written[known : known + read], *_classes_of(of_readings)]
    if own is None:
        _copy(figures, layout.count, told_of, readings)
    else:
        _put(figures, layout.count, written[known + read :], own)
    return [*figures, *told_of, *readings.words]


def _classes_of(columns: Columns) -> Figures:
    """Write the class of each quantity."""
    return [_CLASSES[kind] for kind in columns.kinds.tolist()]


def _copy(figures: Figures, count: int, told_of: Figures, readings: ReadingFigures) -> None:
    """Tell of quantities read for themselves what is told of their readings."""
    same, size = readings.same or (), len(readings.columns.kinds)
    for place, row in (*_OF_READING.items(), (Place.CLASS, len(readings.columns.numbers))):
        begin, there = place * count, row * size
        for position, k in same:
            figures[begin + position] = told_of[there + k]
    for position, k in same if readings.unmoved else ():
        if k in readings.unmoved:
            figures[position] = told_of[k]


def _put(figures: Figures, count: int, written: Figures, own: Own) -> None:
    """Put in what was worked out for quantities read for themselves."""
    size = len(own.positions)
    for row, place in enumerate((Place.VALUE, Place.SD, Place.ADJUSTMENT, Place.STANDARDISED)):
        for position, figure in zip(own.positions, written[row * size :], strict=False):
            figures[place * count + position] = figure
    for position, kind in zip(own.positions, own.kinds, strict=True):
        figures[Place.CLASS * count + position] = _CLASSES[kind]
    as_read = written[own.rows * size :]
    for position, value, sd in zip(own.read, as_read[::2], as_read[1::2], strict=True):
        figures[Place.READING * count + position] = value
        figures[Place.READING_SD * count + position] = sd
        if position in own.unmoved:
            # As it was read, not after a conversion there and back.
            figures[position] = value
