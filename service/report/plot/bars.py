"""Marks with error bars along one axis, a row a name."""

from __future__ import annotations

from matplotlib.axes import Axes

from service.report.drawings import Bars, Ink

from .sheet import (
    INK,
    LETTER,
    LINE,
    MOST_ON_AXIS,
    MUTED,
    PAPER,
    READ,
    RECONCILED,
    SIZE,
    Sheet,
    shortened,
)

_WIDTH = 180.0
_ROW = 1.9 * SIZE
_MOST_LETTERS = 28
_ROOM = 0.06
"""Room beyond the marks, as a part of their reach."""

_APART = 0.17
"""Distance of two marks from the middle of their row, as a part of its height."""


def draw(sheet: Sheet, bars: Bars) -> None:
    """Put the chart on the sheet."""
    names = [shortened(name, _MOST_LETTERS) for name, _ in bars.rows]
    left = (max(map(len, names), default=0) + 2) * LETTER
    axes = sheet.axes(_WIDTH, _ROW * max(len(names), 1), left, 4.2 * SIZE)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), [sheet.words(name) for name in names])
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=LINE, linewidth=0.5)
    axes.set_axisbelow(True)
    for ink in (Ink.READ, Ink.RECONCILED):
        _marks(axes, bars, ink)
    low, high = _reach(bars)
    axes.set_xlim(low, high)
    for place, words in bars.lines:
        axes.axvline(place, color=MUTED, linewidth=0.8, linestyle="-" if not place else (0, (4, 3)))
        if words and low <= place <= high:
            axes.annotate(
                sheet.words(words),
                (place, -0.5),
                (0, 3),
                textcoords="offset points",
                ha="center",
                color=MUTED,
                fontsize=SIZE - 1.5,
                annotation_clip=False,
            )
    axes.set_xlabel(sheet.words(shortened(bars.axis, MOST_ON_AXIS)))


def _reach(bars: Bars) -> tuple[float, float]:
    """Give the ends of the axis: all marks with their bars, and zero, with some room."""
    marks = [mark for _, found in bars.rows for mark in found]
    low = min([0.0, *(mark.value - mark.half for mark in marks)])
    high = max([0.0, *(mark.value + mark.half for mark in marks)])
    room = _ROOM * (high - low) or 1.0
    return low - room, high + room


def _spread(row: int, count: int) -> list[float]:
    middle = (count - 1) / 2
    return [row + 2 * _APART * (i - middle) for i in range(count)]


def _marks(axes: Axes, bars: Bars, ink: Ink) -> None:
    """Draw all marks of one ink at once, which is many times quicker than one by one."""
    found = [
        (mark, y)
        for k, (_, marks) in enumerate(bars.rows)
        for mark, y in zip(marks, _spread(k, len(marks)), strict=True)
        if mark.ink is ink
    ]
    if not found:
        return
    colour = READ if ink is Ink.READ else RECONCILED
    places, heights = [mark.value for mark, _ in found], [y for _, y in found]
    ends = (
        [(0.0, place) for place in places]
        if bars.from_zero
        else [(mark.value - mark.half, mark.value + mark.half) for mark, _ in found]
    )
    lows, highs = [low for low, _ in ends], [high for _, high in ends]
    axes.hlines(heights, lows, highs, colors=colour, linewidth=1.2)
    axes.plot(
        places,
        heights,
        linestyle="none",
        marker="o",
        markersize=4.6,
        markeredgewidth=1.2,
        markeredgecolor=colour,
        markerfacecolor=PAPER if ink is Ink.READ else colour,
        color=colour,
        clip_on=False,
    )
