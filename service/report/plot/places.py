"""Places in a field of two axes, with error bars, names, curves and bands."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from service.report.drawings import Curve, Ink, Places, Point

from .sheet import INK, LETTER, LINE, MOST_ON_AXIS, MUTED, RECONCILED, SIZE, Sheet, shortened

_WIDTH, _HEIGHT = 205.0, 165.0
_MOST_LETTERS = 22
_WHOLE = 100.0
_STEP = 10.0
"""The axis of x begins at a multiple of this."""

_CORNERS = 61
"""Corners of the polygon that an ellipse is drawn as."""

_FAR_ABOVE = 2.6
"""The axis reaches no farther than so many times what was found, for a limiting curve."""

_ROOM = 1.08
"""The axis goes so much beyond the largest value, for its name."""


def draw(sheet: Sheet, places: Places) -> None:
    """Put the chart on the sheet."""
    axes = sheet.axes(_WIDTH, _HEIGHT, 5.5 * SIZE, 4.2 * SIZE)
    axes.grid(color=LINE, linewidth=0.5)
    axes.set_axisbelow(True)
    highest = _highest(places)
    least = _least(places)
    axes.set_xlim(least, _WHOLE)
    axes.set_ylim(0, highest * _ROOM)
    for curve in places.curves:
        _curve(axes, curve)
    for point in places.points:
        _point(axes, point)
    _names(sheet, axes, places, (least, highest * _ROOM))
    axes.set_xlabel(sheet.words(shortened(places.x_axis, MOST_ON_AXIS)))
    axes.set_ylabel(sheet.words(shortened(places.y_axis, MOST_ON_AXIS)))


def _highest(places: Places) -> float:
    tops = [point.y + point.y_half for point in places.points]
    tops += [y for curve in places.curves if curve.ink is not Ink.LIMIT for y in curve.y]
    # The limiting curves may lie far above; they are cut off rather than press all else down.
    known = max(tops, default=0.0)
    limits = [y for curve in places.curves if curve.ink is Ink.LIMIT for y in curve.y]
    return max(known, min(max(limits, default=0.0), _FAR_ABOVE * known)) or 1.0


def _least(places: Places) -> float:
    """Give where the axis of x begins: at zero, unless all places are crowded at the other end."""
    lowest = min((point.x - point.x_half for point in places.points), default=0.0)
    return _STEP * math.floor((lowest - _STEP / 2) / _STEP) if lowest > _WHOLE / 2 else 0.0


def _point(axes: Axes, point: Point) -> None:
    is_ellipse = point.correlation is not None
    axes.errorbar(
        [point.x],
        [point.y],
        xerr=[0.0 if is_ellipse else point.x_half],
        yerr=[0.0 if is_ellipse else point.y_half],
        fmt="o",
        markersize=4.6,
        color=RECONCILED,
        linewidth=1.2,
        clip_on=False,
    )
    if point.correlation is not None:
        angle = np.linspace(0.0, 2 * np.pi, _CORNERS)
        across, rest = np.cos(angle), np.sqrt(max(1 - point.correlation**2, 0.0))
        up = point.correlation * across + rest * np.sin(angle)
        axes.fill(
            point.x + point.x_half * across,
            point.y + point.y_half * up,
            facecolor=RECONCILED,
            alpha=0.22,
            linewidth=0,
        )


def _curve(axes: Axes, curve: Curve) -> None:
    limit = curve.ink is Ink.LIMIT
    colour = MUTED if limit else RECONCILED
    axes.plot(
        curve.x,
        curve.y,
        color=colour,
        linewidth=0.9 if limit else 1.4,
        linestyle=(0, (4, 3)) if limit else "-",
    )


_SIDES = tuple(
    (side * across, up, "left" if side > 0 else "right")
    for across, up in ((6, 3), (6, -10), (16, 12), (16, -19), (26, 24), (26, 3), (40, 36), (40, 14))
    for side in (1, -1)
)
"""Where a name may stand by its place, in points, the best first."""

_FAR = 10
"""A name farther off than this has a line to its place."""


def _names(sheet: Sheet, axes: Axes, places: Places, ends: tuple[float, float]) -> None:
    """Write each name on the side where it covers least of what is there already."""
    least, top = ends
    across, up = _WIDTH / (_WHOLE - least), _HEIGHT / top
    leader = {"arrowstyle": "-", "color": MUTED, "linewidth": 0.5, "shrinkB": 3}
    taken = [
        ((p.x - least) * across - 3, p.y * up - 3, (p.x - least) * across + 3, p.y * up + 3)
        for p in places.points
    ]
    for point in places.points:
        name = shortened(point.name, _MOST_LETTERS)
        boxes = [
            (_box((point.x - least) * across, point.y * up, name, side), side) for side in _SIDES
        ]
        box, side = min(boxes, key=lambda item: _cover(item[0], taken))
        taken.append(box)
        axes.annotate(
            sheet.words(name),
            (point.x, point.y),
            side[:2],
            textcoords="offset points",
            ha=side[2],
            fontsize=SIZE - 1,
            color=INK,
            annotation_clip=False,
            arrowprops=leader if abs(side[0]) > _FAR else None,
        )


_Box = tuple[float, float, float, float]


def _box(x: float, y: float, name: str, side: tuple[int, int, str]) -> _Box:
    width = len(name) * LETTER * (SIZE - 1) / SIZE
    left = x + side[0] - {"left": 0.0, "right": width}[side[2]]
    return left, y + side[1] - 2, left + width, y + side[1] + SIZE


def _cover(box: _Box, taken: list[_Box]) -> float:
    """Give the area that a box has in common with others, or lies outside the field."""
    inside = _common(box, (0.0, 0.0, _WIDTH + 12, _HEIGHT))
    outside = (box[2] - box[0]) * (box[3] - box[1]) - inside
    return outside + sum(_common(box, other) for other in taken)


def _common(a: _Box, b: _Box) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    return max(width, 0.0) * max(height, 0.0)
