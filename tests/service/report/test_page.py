"""The report as a page: whole in itself, escaped, and with the figures of the reply."""

import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import html5lib
import pytest

from service.balances.report import document_of
from service.report.page import page

from .replies import HOSTILE, figures, hostile_reply, reply_to

SVG = "{http://www.w3.org/2000/svg}"
HTML = "{http://www.w3.org/1999/xhtml}"


def parsed(content: bytes) -> ET.Element:
    """Read a page as a browser does; what HTML does not allow is a fault."""
    parser = html5lib.HTMLParser(strict=False)
    tree: ET.Element = parser.parse(content, transport_encoding="utf-8")
    assert [] == [error for _, error, _ in parser.errors]
    return tree


@pytest.fixture(scope="module")
def content() -> bytes:
    return page(document_of(reply_to("tin-shed")))


@pytest.fixture(scope="module")
def tree(content: bytes) -> ET.Element:
    return parsed(content)


def test_every_figure_of_the_balance_stands_on_the_page(tree: ET.Element) -> None:
    """Masses, yields, assays and recoveries, rounded to what their sd says is known."""
    cells = {"".join(cell.itertext()).strip("()") for cell in tree.iter(f"{HTML}td")}

    assert set() == set(figures(reply_to("tin-shed"))) - cells


def test_the_same_reply_gives_the_same_bytes(content: bytes) -> None:
    """Nothing of the page depends on the clock, on chance or on the order of a set."""
    assert page(document_of(reply_to("tin-shed"))) == content


def test_hostile_names_stay_text() -> None:
    """What would be markup, a formula or a template's braces stands on the page as it was given."""
    tree = parsed(page(document_of(hostile_reply())))
    shown = {"".join(found.itertext()) for found in tree.iter(f"{HTML}bdi")}

    assert set(HOSTILE[:3]) <= shown
    assert [] == list(tree.iter(f"{HTML}script"))
    assert HOSTILE[0] == "".join(next(tree.iter(f"{HTML}h1")).itertext())
    assert all(not name.startswith("on") for found in tree.iter() for name in found.attrib)


def test_the_page_fetches_nothing(content: bytes, tree: ET.Element) -> None:
    """No address, no script, no style from elsewhere; links lead to places on the page."""
    ids = {found.get("id") for found in tree.iter()}

    assert not re.search(r"""(src=|@import|url\((?!#)|<link|<script|<iframe)""", content.decode())
    links = [found.get("href", "") for found in tree.iter(f"{HTML}a")]
    assert links
    assert all(link.startswith("#") and link[1:] in ids for link in links)


def test_ids_are_given_once_and_every_drawing_says_what_it_shows(tree: ET.Element) -> None:
    """Title and description of a drawing are its labels; no id comes twice on the page."""
    ids = [found.get("id") for found in tree.iter() if found.get("id")]
    drawings = list(tree.iter(f"{SVG}svg"))

    assert len(set(ids)) == len(ids)
    assert drawings
    for drawing in drawings:
        assert "img" == drawing.get("role")
        assert set((drawing.get("aria-labelledby") or "").split()) <= set(ids)
        assert all("".join(drawing.find(f"{SVG}{part}").itertext()) for part in ("title", "desc"))


def test_tables_have_captions_and_scopes(tree: ET.Element) -> None:
    """A reader that cannot see finds its way: captions, heads of columns and of rows."""
    for table in tree.iter(f"{HTML}table"):
        assert "".join(table.find(f"{HTML}caption").itertext())
        assert all(head.get("scope") in {"col", "row"} for head in table.iter(f"{HTML}th"))


def test_headings_descend_by_one(tree: ET.Element) -> None:
    """One title, sections below it, nothing skipped."""
    levels = [int(found.tag[-1]) for found in tree.iter() if re.fullmatch(r".*}h\d", found.tag)]

    assert 1 == levels.count(1) == levels[0]
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))


def test_drawings_take_the_colours_of_the_page(tree: ET.Element) -> None:
    """Every colour of a drawing is a property of the page, so that it turns dark with it."""
    styles = [found.get("style", "") for svg in tree.iter(f"{SVG}svg") for found in svg.iter()]

    assert [] == [s for s in styles if re.search(r"(?<!, )#(?!\w+\))[0-9a-f]{3,6}", s)]
