"""
The sheet that is drawn on: ink, letters, and how both become SVG.

Drawing is by matplotlib without its global state: figures are made directly, and the few settings
that its SVG writer reads globally are set while one drawing is written, under a lock.

Letters are laid out as stand-ins of about their width and put in afterwards.  So no name, whatever
its script or signs, is taken for mathematics, measured by a font that lacks it, or left unescaped.
"""

from __future__ import annotations

import io
import re
import threading
import unicodedata
from collections.abc import Callable
from functools import cache
from html import escape
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from service.kit.plain_table import visible, width_of

INK, MUTED, LINE, PAPER = "#1c2126", "#56606b", "#d5d9de", "#ffffff"
READ, RECONCILED = "#a84e0c", "#1d5c9f"

_VARIABLES = {
    INK: "--ink",
    MUTED: "--muted",
    LINE: "--line",
    PAPER: "--paper",
    READ: "--read",
    RECONCILED: "--reconciled",
}
"""Colours, each with the property of the page that takes its place."""

POINTS_TO_PX = 96 / 72
SIZE = 9.0
"""Size of letters in points; 12 px on a page at its natural size."""

LETTER = 0.58 * SIZE
"""Width in points to allow for a letter: the mean of the font."""

MOST_ON_AXIS = 34
"""Letters that an axis has room for."""

FAMILY = "DejaVu Sans"
"""The font that letters are measured by, and set in where there is no page; matplotlib ships it."""
_DRAWING = threading.Lock()
_STAND_IN = re.compile(r"@(\d+)@[n_]*")
_COMMENTS = re.compile(r"<!--.*?-->\n?", re.DOTALL)
_GROUP_IDS = re.compile(r'(<g) id="[^"]*"')
_LETTER_SIZE = re.compile(r"(font-size: [\d.]+)px")
_SIZE = re.compile(r'width="([\d.]+)pt" height="([\d.]+)pt"')
_HEAD = re.compile(r"^.*?(?=<svg)|<metadata>.*?</metadata>\n?", re.DOTALL)
_FONT = re.compile(r"font(-family)?: [^;\"]*")
_SETTINGS: dict[Any, Any] = {
    "font.family": FAMILY,
    "font.size": SIZE,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.labelcolor": MUTED,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "text.color": INK,
    "axes.unicode_minus": True,
    "text.parse_math": False,
    "svg.fonttype": "none",
}


@cache
def _known_letters() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=FAMILY))).get_charmap())


def spelled(text: str) -> str:
    """Give text with every sign that the shipped font lacks written as its code point."""
    known = _known_letters()
    return "".join(c if ord(c) in known else f"[U+{ord(c):04X}]" for c in visible(text))


def shortened(text: str, most: int) -> str:
    """Give a text no longer than so many columns, the middle left out where it is."""
    if width_of(text) <= most:
        return text
    letters = [c for c in text if not unicodedata.combining(c)]
    ends = max((most - 1) // 2, 1)
    return f"{''.join(letters[: most - 1 - ends])}…{''.join(letters[-ends:])}"


class Sheet:
    """A figure of one drawing, its letters kept aside."""

    def __init__(self, *, on_page: bool) -> None:
        self._on_page = on_page
        self._letters: list[str] = []
        self.figure = Figure(dpi=72)
        FigureCanvasSVG(self.figure)

    def words(self, text: str) -> str:
        """Give what to hand to the plotting library for these words."""
        self._letters.append(text if self._on_page else spelled(text))
        stand_in = f"@{len(self._letters) - 1}@"
        return stand_in + "n" * max(width_of(self._letters[-1]) - len(stand_in), 0)

    def axes(self, width: float, height: float, left: float, bottom: float) -> Axes:
        """
        Give axes of a size in points, with room left of and below them for what belongs there.

        The figure becomes as large as they need.
        """
        right, top = 1.5 * SIZE, 1.5 * SIZE
        whole = (width + left + right, height + bottom + top)
        self.figure.set_size_inches(whole[0] / 72, whole[1] / 72)
        axes = self.figure.add_axes(
            (left / whole[0], bottom / whole[1], width / whole[0], height / whole[1])
        )
        axes.patch.set_alpha(0.0)
        return axes

    def svg(self) -> str:
        """Give the drawing, without anything that could differ or be fetched."""
        written = io.StringIO()
        self.figure.patch.set_alpha(0.0)
        self.figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
        text = _HEAD.sub("", written.getvalue())
        text = _GROUP_IDS.sub(r"\1", _COMMENTS.sub("", text)).strip()
        if self._on_page:
            text = _SIZE.sub(_sized, _FONT.sub("font-family: inherit", text), count=1)
            for colour, variable in _VARIABLES.items():
                text = text.replace(colour, f"var({variable}, {colour})")
        else:
            text = _LETTER_SIZE.sub(r"\1pt", text)
        return _STAND_IN.sub(lambda found: escape(self._letters[int(found[1])]), text)


LEAST_SCALE = 0.8
"""A drawing shrinks to this on a narrow screen; below, letters could not be read."""


def _sized(found: re.Match[str]) -> str:
    """Give the size of a drawing on a page: as drawn, smaller on a narrow one, then it scrolls."""
    natural = float(found[1]) * POINTS_TO_PX
    return (
        f'style="width: 100%; max-width: {natural:.0f}px; '
        f'min-width: calc({natural * LEAST_SCALE:.0f}px * var(--scrolls))"'
    )


def drawn(draw: Callable[[Sheet], None], *, key: str, on_page: bool) -> str:
    """Give as SVG what a function puts on a sheet."""
    settings: dict[Any, Any] = _SETTINGS | {"svg.hashsalt": f"evenlode {key}"}
    with _DRAWING, mpl.rc_context(settings):
        sheet = Sheet(on_page=on_page)
        draw(sheet)
        return sheet.svg()
