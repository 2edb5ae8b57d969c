"""Marks with error bars along one axis, a row a name."""

from __future__ import annotations

from matplotlib.axes import Axes

from service.report.drawings import Bar, Bars, Ink

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
    for k, (_, marks) in enumerate(bars.rows):
        for mark, y in zip(marks, _spread(k, len(marks)), strict=True):
            _mark(axes, mark, y)
            if bars.from_zero:
                axes.plot([0, mark.value], [y, y], color=RECONCILED, linewidth=1.2)
    low, high = axes.get_xlim()
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


def _spread(row: int, count: int) -> list[float]:
    middle = (count - 1) / 2
    return [row + 2 * _APART * (i - middle) for i in range(count)]


def _mark(axes: Axes, mark: Bar, y: float) -> None:
    colour = READ if mark.ink is Ink.READ else RECONCILED
    if mark.half:
        axes.plot(
            [mark.value - mark.half, mark.value + mark.half],
            [y, y],
            color=colour,
            linewidth=1.2,
            solid_capstyle="butt",
        )
    axes.plot(
        [mark.value],
        [y],
        color=colour,
        linestyle="none",
        marker="o",
        markersize=4.6,
        markeredgewidth=1.2,
        markeredgecolor=colour,
        markerfacecolor=PAPER if mark.ink is Ink.READ else colour,
        clip_on=False,
    )
