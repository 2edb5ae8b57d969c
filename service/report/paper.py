"""Sheets of A4: letters, paragraphs, and the foot of each sheet."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

from fpdf import FPDF, TextStyle
from fpdf.enums import XPos, YPos

from . import plot

Colour = tuple[int, int, int]

INK: Colour = (28, 33, 38)
MUTED: Colour = (86, 96, 107)
READ: Colour = (168, 78, 12)
RULE: Colour = (205, 210, 215)

SMALL, BODY, LEAD, HEADING, TITLE = 7.2, 8.6, 9.6, 12.5, 18.0
"""Sizes of letters in points."""

POINT = 25.4 / 72
"""A point in millimetres."""

MARGIN, FOOT = 16.0, 18.0
WIDTH = 210.0 - 2 * MARGIN
"""Millimetres between the margins."""

_LINE = 1.45
_PAGE = 30.0
_NO_DATE = datetime(1980, 1, 1, tzinfo=UTC)
"""Stands where the format wants a date: the same document gives the same bytes."""

_FONTS = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "I": "DejaVuSans-Oblique.ttf"}


def needs_shaping(text: str) -> bool:
    """Say whether some letters of a text run from right to left, or are joined."""
    return any(unicodedata.bidirectional(letter) in {"R", "AL"} for letter in text)


def said(text: str) -> str:
    """Give text as the font can show it: what it lacks is spelled out, lines become one."""
    return plot.spelled(" ".join(text.split()))


class Paper(FPDF):
    """
    Sheets that carry the title and their number at the foot.

    ``shaped`` joins and turns letters as their script wants; it takes half as long again.
    """

    def __init__(self, title: str, *, shaped: bool) -> None:
        super().__init__(format="A4")
        self._foot = said(title)
        self.set_margins(MARGIN, MARGIN)
        self.c_margin = 0.0  # cells have the padding that they are given, and no more
        self.set_auto_page_break(auto=True, margin=FOOT)
        folder = Path(str(files("matplotlib"))) / "mpl-data" / "fonts" / "ttf"
        for style, name in _FONTS.items():
            self.add_font(plot.FAMILY, style, folder / name)
        self.set_text_shaping(use_shaping_engine=shaped)
        self.set_creation_date(_NO_DATE)
        self.set_lang("en-GB")
        self.set_title(said(title))
        self.set_creator("Evenlode")
        heading = TextStyle(plot.FAMILY, "B", HEADING, INK, t_margin=5, b_margin=2)
        self.set_section_title_styles(heading)

    def footer(self) -> None:
        """Write the title, as much as there is room for, and the number of the sheet."""
        self.set_y(-FOOT + 5)
        self.letters(SMALL, colour=MUTED)
        title = self._foot
        while self.get_string_width(title) > WIDTH - _PAGE - 5:
            title = f"{title[:-2]}…"
        self.cell(WIDTH - _PAGE, 5, title)
        self.cell(_PAGE, 5, f"Page {self.page_no()} of {{nb}}", align="R")

    def letters(self, size: float, style: str = "", colour: Colour = INK) -> None:
        """Take letters of a size, style and colour."""
        self.set_font(plot.FAMILY, style, size)
        self.set_text_color(*colour)

    def words(self, text: str, indent: float = 0.0) -> None:
        """Write a paragraph in the present letters and go below it."""
        high = self.font_size_pt * POINT * _LINE
        self.set_x(MARGIN + indent)
        self.multi_cell(
            WIDTH - indent, high, said(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
        self.ln(high * 0.35)

    def room(self, needed: float) -> None:
        """Go to a new sheet if less than so many millimetres are left of this one."""
        if self.get_y() + needed > self.h - FOOT:
            self.add_page()
