"""A document as a PDF of A4 sheets, in a font that comes along."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from fpdf.fonts import FontFace

from . import plot
from .document import (
    Block,
    Caution,
    Chart,
    Document,
    Items,
    Paragraph,
    Section,
    Table,
    parts,
    text_of,
)
from .drawings import Flows
from .paper import (
    BODY,
    LEAD,
    MARGIN,
    MUTED,
    POINT,
    READ,
    RULE,
    SMALL,
    TITLE,
    WIDTH,
    Paper,
    needs_shaping,
    said,
)
from .tidy import tidy

_GAP, _SPACE = 6.0, 2.2
"""Millimetres between charts, and between columns."""

_CAPTION, _HEADING = 12.0, 14.0
_HEADING_ROOM = 38.0
"""Millimetres that must be left on a sheet for a heading and the first lines below it."""

_TALLEST, _WHOLE_SHEET = 150.0, 232.0
"""Millimetres that a drawing may be high: beside text, or on a sheet that it has to itself."""

_LEAST_SCALE = 0.7
"""A drawing that would be smaller than this beside text gets a sheet of its own."""

_SIZE = re.compile(r'width="([\d.]+)pt" height="([\d.]+)pt"')
_MOST_LETTERS = 30
"""Letters after which a cell is broken into lines."""

_SLACK = 1.03
"""A column is a little wider than its widest cell, or rounding would break that into lines."""

_MEASURED = 4
"""Of so many cells of most letters the widest makes the width of a column."""

_MOST_ROWS = 400
"""Rows of a table on paper; a row takes 10 ms to set, and nobody reads a thousand of them there."""

_LEAST_SIZE = 5.8
_KEPT_SIGN = "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}"


def pdf(document: Document) -> bytes:
    """Give a document as PDF."""
    paper = Paper(document.title, shaped=needs_shaping(tidy(document).decode()))
    paper.add_page()
    paper.letters(TITLE, "B")
    paper.words(document.title)
    paper.letters(SMALL, colour=MUTED)
    for name, words in document.facts:
        paper.words(f"{name}: {words}")
    if document.note:
        paper.words(document.note)
    paper.start_section("In short")
    paper.letters(LEAD)
    for sentence in document.answer:
        paper.words(sentence)
    for section in document.sections:
        _section(paper, section)
    paper.ln(4)
    paper.letters(SMALL, colour=MUTED)
    paper.words(document.notice)
    return bytes(paper.output())


def _section(paper: Paper, section: Section) -> None:
    groups = [
        (is_charts, list(blocks))
        for is_charts, blocks in groupby(section.blocks, lambda block: isinstance(block, Chart))
    ]
    rows = [_rows(blocks) if is_charts else [] for is_charts, blocks in groups]
    # A heading stays with what stands below it.
    below = rows[0][0].height if rows[0] else _HEADING
    paper.room((_CAPTION + _HEADING if rows[0] else _HEADING_ROOM) + below)
    paper.start_section(section.heading)
    for (_, blocks), drawn in zip(groups, rows, strict=True):
        for row in drawn:
            _charts(paper, row)
        for block in blocks if not drawn else ():
            _block(paper, block)


def _block(paper: Paper, block: Block) -> None:
    match block:
        case Table():
            for part in parts(block):
                _table(paper, part)
        case Items(items):
            paper.letters(BODY)
            for item in items:
                paper.words(f"\N{BULLET}  {item}", indent=2)
        case Caution(text):
            paper.letters(BODY, colour=READ)
            paper.words(f"Mind: {text}")
        case Paragraph(text):
            paper.letters(BODY)
            paper.words(text)


def _table(paper: Paper, table: Table) -> None:
    """Set a table; rows are not broken, and its head stands on every sheet that it takes."""
    paper.room(_HEADING_ROOM)
    paper.letters(BODY, "B")
    paper.words(table.caption)
    widths, size = _widths(paper, table)
    paper.letters(size)
    paper.set_draw_color(*RULE)
    paper.set_line_width(0.15)
    with paper.table(
        align="LEFT",
        borders_layout="HORIZONTAL_LINES",
        col_widths=widths,
        headings_style=FontFace(emphasis="", color=MUTED),
        line_height=size * POINT * 1.35,
        padding=(0.7, _SPACE, 0.7, 0),
        text_align="LEFT",
        v_align="TOP",
        width=sum(widths),
    ) as set_table:
        set_table.row([said(h) for h in (table.corner, *(c.text for c in table.columns))])
        for row in table.rows[:_MOST_ROWS]:
            cells = (said(text_of(cell)).replace(" ± ", _KEPT_SIGN) for cell in row.cells)
            set_table.row([said(row.name), *cells])
    paper.ln(1.5)
    if len(table.rows) > _MOST_ROWS:
        paper.letters(SMALL)
        paper.words(
            f"These are the first {_MOST_ROWS} of {len(table.rows)} rows; page, workbook and CSV "
            "hold all of them."
        )
    if table.note:
        paper.letters(SMALL, colour=MUTED)
        paper.words(table.note)


def _widths(paper: Paper, table: Table) -> tuple[tuple[float, ...], float]:
    """Give the widths of the columns in millimetres, and the size of letters that fits them."""
    paper.letters(SMALL)
    columns = [[table.corner, *(row.name for row in table.rows)]]
    columns += [
        [column.text, *(text_of(row.cells[k]) for row in table.rows)]
        for k, column in enumerate(table.columns)
    ]
    most = paper.get_string_width("n" * _MOST_LETTERS)
    natural = [min(_widest(paper, column), most) for column in columns]
    room = WIDTH - _SPACE * len(columns)
    scale = min(1.0, room / (_SLACK * sum(natural)))
    size = max(SMALL * scale, _LEAST_SIZE)
    return tuple(width * scale * _SLACK + _SPACE for width in natural), size


def _widest(paper: Paper, texts: Sequence[str]) -> float:
    """Give the width that a column wants; a heading is broken into lines before its cells are."""
    heading, *cells = texts
    longest = sorted(cells, key=len)[-_MEASURED:]
    words = sorted(heading.split(), key=len)[-1:]
    return max((paper.get_string_width(said(text)) for text in (*longest, *words)), default=1.0)


@dataclass(frozen=True, slots=True)
class _Row:
    """Charts that stand side by side, drawn, with their sizes in millimetres."""

    charts: tuple[tuple[Chart, str, tuple[float, float]], ...]
    width: float

    @property
    def height(self) -> float:
        """Height of the highest of them."""
        return max(size[1] for _, _, size in self.charts)


def _rows(blocks: Sequence[Block]) -> list[_Row]:
    """Put charts two and two side by side, a flowsheet or a single one by itself."""
    charts = [block for block in blocks if isinstance(block, Chart)]
    alone = [c for c in charts if len(charts) == 1 or isinstance(c.drawing, Flows)]
    rest = [c for c in charts if c not in alone]
    rows = [_drawn([chart], WIDTH) for chart in alone]
    pairs = [rest[k : k + 2] for k in range(0, len(rest), 2)]
    return rows + [_drawn(pair, (WIDTH - _GAP) / 2) for pair in pairs]


def _drawn(charts: Sequence[Chart], width: float) -> _Row:
    drawn = [plot.svg(chart.drawing, key="sheet", on_page=False) for chart in charts]
    sizes = [_fitted(svg, width) for svg in drawn]
    return _Row(tuple(zip(charts, drawn, sizes, strict=True)), width)


def _charts(paper: Paper, row: _Row) -> None:
    paper.room(row.height + _CAPTION)
    top = paper.get_y()
    foot = top
    for k, (chart, svg, size) in enumerate(row.charts):
        left = MARGIN + k * (row.width + _GAP)
        paper.image(
            io.BytesIO(svg.encode()),
            x=left,
            y=top,
            w=size[0],
            h=size[1],
            alt_text=said(f"{chart.caption}. {chart.alternative}"),
        )
        paper.set_xy(left, top + row.height + 0.5)
        paper.letters(SMALL, colour=MUTED)
        paper.multi_cell(row.width, SMALL * POINT * 1.4, said(chart.caption), align="L")
        foot = max(foot, paper.get_y())
    paper.set_xy(MARGIN, foot + SMALL * POINT * 1.4 + 2)


def _fitted(svg: str, width: float) -> tuple[float, float]:
    """Give width and height in millimetres: as drawn, or as large as there is room for."""
    found = _SIZE.search(svg)
    if found is None:  # pragma: no cover - every drawing says its size
        raise ValueError("A drawing does not say how large it is.")
    natural = float(found[1]) * POINT, float(found[2]) * POINT
    tallest = _TALLEST if natural[1] * _LEAST_SCALE < _TALLEST else _WHOLE_SHEET
    scale = min(1.0, width / natural[0], tallest / natural[1])
    return natural[0] * scale, natural[1] * scale
