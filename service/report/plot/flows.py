"""A flowsheet as a ladder: nodes one below the other, streams with their masses in words."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.patches import FancyBboxPatch, PathPatch, Polygon
from matplotlib.path import Path

from service.report.drawings import Flow, Flows

from .ladder import NAME, WORDS, Ladder, Lane, Line, laid_out
from .sheet import INK, LETTER, MUTED, READ, RECONCILED, SIZE, Sheet, shortened

_LANE = 15.0
_RAIL = 9.0
_STUB = 26.0
_MOST_LETTERS = 56
_WIDEST, _THINNEST = 11.0, 0.8
"""Width in points of a stream that is all of the feed, and the least width."""

_BEND = 6.0


def draw(sheet: Sheet, flows: Flows) -> None:
    """Put the drawing on the sheet."""
    ladder = laid_out(flows)
    lanes = max((lane.lane + 1 for lane in ladder.lanes), default=0)
    rail = _STUB + max(lanes - 1, 0) * _LANE
    texts = rail + _RAIL + _STUB + 10
    longest = max(
        (len(shortened(w, _MOST_LETTERS)) for f in flows.streams for w in (f.name, *f.words)),
        default=0,
    )
    axes = sheet.axes(texts + longest * LETTER, ladder.height, 0, 0)
    axes.set_axis_off()
    axes.set_xlim(0, texts + longest * LETTER)
    axes.set_ylim(ladder.height, 0)
    for lane in ladder.lanes:
        _lane(axes, lane, rail)
    for line in ladder.lines:
        _line(sheet, axes, line, rail, texts)
    _rungs(sheet, axes, ladder, rail)


def _width(flow: Flow) -> float:
    share = 0.0 if flow.share is None else min(max(flow.share, 0.0), 1.0)
    return max(_WIDEST * share, _THINNEST)


def _lane(axes: Axes, lane: Lane, rail: float) -> None:
    x = rail - _STUB * 0.5 - lane.lane * _LANE
    colour = READ if lane.is_recycle else RECONCILED
    down = -1 if lane.is_recycle else 1
    bend = min(_BEND, abs(lane.end - lane.start) / 2)
    tip = rail - _tip(lane.flow)
    path = Path(
        [
            (rail, lane.start),
            (x + bend, lane.start),
            (x, lane.start),
            (x, lane.start + down * bend),
            (x, lane.end - down * bend),
            (x, lane.end),
            (x + bend, lane.end),
            (tip, lane.end),
        ],
        [Path.MOVETO, *(Path.LINETO, Path.CURVE3, Path.CURVE3) * 2, Path.LINETO],
    )
    _stroke(axes, path, _width(lane.flow), colour, dashed=lane.is_recycle)
    _arrow(axes, rail, lane.end, lane.flow, colour)


def _stroke(axes: Axes, path: Path, width: float, colour: str, *, dashed: bool = False) -> None:
    axes.add_patch(
        PathPatch(
            path,
            fill=False,
            edgecolor=colour,
            linewidth=width,
            linestyle=(0, (5, 2.5)) if dashed and width < _BEND / 2 else "-",
            capstyle="butt",
            joinstyle="round",
            alpha=0.85,
        )
    )


def _tip(flow: Flow) -> float:
    return 5.0 + _width(flow) / 2


def _arrow(axes: Axes, x: float, y: float, flow: Flow, colour: str) -> None:
    """Draw the head of an arrow that points right and ends at x."""
    half = _width(flow) / 2 + 2.4
    tip = _tip(flow)
    axes.add_patch(
        Polygon(
            [(x - tip, y - half), (x, y), (x - tip, y + half)],
            closed=True,
            facecolor=colour,
            edgecolor="none",
            alpha=0.85,
        )
    )


def _line(sheet: Sheet, axes: Axes, line: Line, rail: float, texts: float) -> None:
    """Draw what a stream says, and the stub by which it enters from or leaves for outside."""
    if line.enters:
        path = Path([(rail - _STUB, line.y), (rail - _tip(line.flow), line.y)])
        _stroke(axes, path, _width(line.flow), RECONCILED)
        _arrow(axes, rail, line.y, line.flow, RECONCILED)
    elif line.flow.target is None:
        end = rail + _RAIL + _STUB
        path = Path([(rail + _RAIL, line.y), (end - _tip(line.flow), line.y)])
        _stroke(axes, path, _width(line.flow), RECONCILED)
        _arrow(axes, end, line.y, line.flow, RECONCILED)
    y = line.y
    for k, words in enumerate((line.flow.name, *line.flow.words)):
        axes.text(
            texts,
            y,
            sheet.words(shortened(words, _MOST_LETTERS)),
            va="center_baseline",
            fontsize=SIZE,
            fontweight="bold" if k == 0 else "normal",
            color=INK if k == 0 else MUTED,
        )
        y += NAME / 2 + WORDS / 2 if k == 0 else WORDS


def _rungs(sheet: Sheet, axes: Axes, ladder: Ladder, rail: float) -> None:
    for rung in ladder.rungs:
        axes.add_patch(
            FancyBboxPatch(
                (rail, rung.top),
                _RAIL,
                rung.foot - rung.top,
                boxstyle="round,pad=0,rounding_size=3",
                facecolor=INK,
                edgecolor="none",
            )
        )
        axes.text(
            rail + _RAIL + 8,
            rung.heading,
            sheet.words(shortened(rung.name, _MOST_LETTERS)),
            va="center_baseline",
            fontsize=SIZE + 1,
            fontstyle="italic",
            color=INK,
        )
