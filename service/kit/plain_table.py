"""Tables of plain text: words and figures in columns, set apart by space alone."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH = 100
"""Widest line, in columns of a terminal."""

_GAP = "  "
_NAME_WIDTH = 24
_HEAD_WIDTH = 16
_SIGN = " ± "


def visible(text: str) -> str:
    """Give text with everything that steers a terminal written out."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


def width_of(text: str) -> int:
    """Give the columns a text takes; East Asian wide characters take two."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _left(text: str, width: int) -> str:
    return text + " " * (width - width_of(text))


def _right(text: str, width: int) -> str:
    return " " * (width - width_of(text)) + text


def folded(text: str, width: int) -> list[str]:
    """Break a text into lines no wider than this; nothing is left out."""
    lines, line = [], ""
    for word in visible(text).split(" "):
        for piece in _pieces(word, width):
            joined = f"{line} {piece}" if line else piece
            if width_of(joined) > width:
                lines.append(line)
                joined = piece
            line = joined
    return [*lines, line]


def _pieces(word: str, width: int) -> list[str]:
    pieces, piece = [], ""
    for c in word:
        if width_of(piece + c) > width:
            pieces.append(piece)
            piece = ""
        piece += c
    return [*pieces, piece]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of cells under a heading; cells that hold '±' are set against that sign."""

    heading: str
    cells: Sequence[str]

    def lines(self) -> tuple[list[str], list[str], int]:
        """Give the lines of the heading, the cells, and the width, all set."""
        parts = [cell.partition(_SIGN) for cell in self.cells]
        before = max((width_of(p[0]) for p in parts if p[1]), default=0)
        after = max((width_of(p[2]) for p in parts if p[1]), default=0)
        set_cells = [
            _right(p[0], before) + p[1] + _left(p[2], after) if p[1] else p[0] for p in parts
        ]
        heading = folded(self.heading, _HEAD_WIDTH)
        width = max(width_of(line) for line in (*heading, *set_cells))
        return heading, set_cells, width


def _block(names: Sequence[list[str]], columns: Sequence[Column], corner: str) -> list[str]:
    laid = [column.lines() for column in columns]
    name_width = max(width_of(line) for lines in (*names, [corner]) for line in lines)
    height = max(len(heading) for heading, _, _ in laid)
    lines = []
    for k in range(height):
        first = corner if k == height - 1 else ""
        heads = [
            _right(([""] * (height - len(heading)) + heading)[k], width)
            for heading, _, width in laid
        ]
        lines.append(_GAP.join([_left(first, name_width), *heads]))
    for i, name in enumerate(names):
        cells = [_right(cells[i], width) for _, cells, width in laid]
        lines += [_left(part, name_width) for part in name[:-1]]
        lines.append(_GAP.join([_left(name[-1], name_width), *cells]))
    return [line.rstrip() for line in lines]


def table(names: Sequence[str], columns: Sequence[Column], corner: str = "") -> list[str]:
    """Lay out a table, one row a name; columns that do not fit go into a block below."""
    folded_names = [folded(name, _NAME_WIDTH) for name in names]
    used = max((width_of(line) for lines in folded_names for line in lines), default=0)
    used = max(used, width_of(corner))
    blocks: list[list[Column]] = [[]]
    room = WIDTH - used
    for column in columns:
        needed = len(_GAP) + column.lines()[2]
        if needed > room and blocks[-1]:
            blocks.append([])
            room = WIDTH - used
        blocks[-1].append(column)
        room -= needed
    lines: list[str] = []
    for block in blocks:
        lines += ([""] if lines else []) + _block(folded_names, block, corner)
    return lines


def paragraph(text: str, hanging: str = "") -> list[str]:
    """Set a text in lines no wider than the table, later lines indented by ``hanging``."""
    return textwrap.wrap(visible(text), WIDTH, subsequent_indent=hanging, break_on_hyphens=False)
