"""A document as one page of HTML that needs nothing but itself: no script, no request."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from html import escape
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from . import plot
from .document import Block, Caution, Cell, Chart, Document, Items, Section, Table, parts, text_of
from .drawings import Flows


@dataclass(frozen=True, slots=True)
class _Group:
    """Blocks that stand together: charts side by side, anything else one below the other."""

    is_charts: bool
    blocks: list[Block]


def _groups(section: Section) -> Iterator[_Group]:
    for is_charts, blocks in groupby(section.blocks, lambda block: isinstance(block, Chart)):
        yield _Group(is_charts, list(blocks))


_LONG = 24
"""Words of more letters get a wider column."""


def _kind(cell: Cell) -> str:
    """Give the class of a cell: figures are not broken into lines, long words have room."""
    if not isinstance(cell, str):
        return "figure"
    return "long" if len(cell) > _LONG else "words"


_MOST_BESIDE_TEXT = 14
"""A flowsheet of more streams gets a sheet of its own on paper, or its words would be too small."""


def _is_tall(chart: Chart) -> bool:
    drawing = chart.drawing
    return isinstance(drawing, Flows) and len(drawing.streams) > _MOST_BESIDE_TEXT


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("service.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )


class _Pictures:
    """The drawings of one page; each is told from the others by its number."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, chart: Chart) -> Markup:
        """Give a chart as SVG with a title and a description."""
        self._count += 1
        key = f"chart-{self._count}"
        drawn = plot.svg(chart.drawing, key=key, on_page=True)
        opened, _, rest = drawn.partition(">")
        labels = (
            f' role="img" aria-labelledby="{key}-title {key}-words">'
            f'<title id="{key}-title">{escape(chart.caption)}</title>'
            f'<desc id="{key}-words">{escape(chart.alternative)}</desc>'
        )
        return Markup(f"{opened}{labels}{rest}")  # noqa: S704 - escaped here and in the drawing


def page(document: Document) -> bytes:
    """Give a document as HTML in UTF-8."""
    environment = _environment()
    style, _, _ = environment.loader.get_source(environment, "page.css")  # type: ignore[union-attr]
    text = environment.get_template("page.html.j2").render(
        document=document,
        style=Markup(style),  # noqa: S704 - ours
        text_of=text_of,
        parts=parts,
        kind=_kind,
        groups=_groups,
        picture=_Pictures(),
        is_tall=_is_tall,
        is_table=lambda block: isinstance(block, Table),
        is_caution=lambda block: isinstance(block, Caution),
        is_items=lambda block: isinstance(block, Items),
    )
    return text.encode()
