"""The report as sheets of paper: read back by another library."""

import io

import pytest
from pypdf import PdfReader

from service.balances.report import document_of
from service.report.pdf import pdf

from .replies import HOSTILE, figures, hostile_reply, reply_to


@pytest.fixture(scope="module")
def sheets() -> PdfReader:
    return PdfReader(io.BytesIO(pdf(document_of(reply_to("flow-network")))))


def test_every_figure_of_the_balance_stands_on_the_sheets(sheets: PdfReader) -> None:
    """As text, so that it can be found and copied."""
    text = " ".join(" ".join(page.extract_text() for page in sheets.pages).split())

    assert [] == [figure for figure in figures(reply_to("flow-network")) if figure not in text]


def test_the_sheets_are_a4_and_numbered(sheets: PdfReader) -> None:
    """210 by 297 mm in points; each says which of how many it is."""
    count = len(sheets.pages)

    for number, page in enumerate(sheets.pages, 1):
        assert pytest.approx((595.28, 841.89), abs=0.01) == tuple(map(float, page.mediabox[2:]))
        assert f"Page {number} of {count}" in page.extract_text()


def test_the_sheets_have_an_outline_a_language_and_a_title(sheets: PdfReader) -> None:
    """Readers find sections by the outline, and know how to speak the words."""
    document = document_of(reply_to("flow-network"))
    outline = [entry["/Title"] for entry in sheets.outline]

    assert ["In short", *(section.heading for section in document.sections)] == outline
    assert "en-GB" == sheets.root_object["/Lang"]
    assert document.title == sheets.metadata.title


def test_the_fonts_come_along(sheets: PdfReader) -> None:
    """Every font is in the file."""
    fonts = [
        font.get_object()
        for page in sheets.pages
        for font in page["/Resources"]["/Font"].get_object().values()
    ]

    assert fonts
    for font in fonts:
        descendant = font["/DescendantFonts"][0].get_object()
        assert "/FontFile2" in descendant["/FontDescriptor"].get_object()


def test_hostile_names_are_set_as_words_and_twice_alike() -> None:
    """Signs that the font lacks are spelled out; right to left is turned; bytes do not vary."""
    document = document_of(hostile_reply())
    content = pdf(document)
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)

    assert HOSTILE[1] in text
    assert "[U+4E2D]" in text
    assert pdf(document) == content
