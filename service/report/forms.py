"""The forms in which a report can be had: media types, endings of files, and their writers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.kit.media import CSV, HTML, JSON, PDF, XLSX

from .document import Document
from .tidy import COLUMNS, tidy


@dataclass(frozen=True, slots=True)
class Form:
    """A form: its media type, the ending of its files, and what it is in words."""

    media_type: str
    ending: str
    words: str
    write: Callable[[Document], bytes]


def _page(document: Document) -> bytes:
    from .page import page

    return page(document)


def _pdf(document: Document) -> bytes:
    from .pdf import pdf

    return pdf(document)


def _workbook(document: Document) -> bytes:
    from .workbook import workbook

    return workbook(document)


FORMS = {
    form.media_type: form
    for form in (
        Form(HTML, ".html", "a page that needs nothing but itself", _page),
        Form(PDF, ".pdf", "sheets of A4", _pdf),
        Form(XLSX, ".xlsx", "a workbook with a sheet for each section", _workbook),
        Form(CSV, ".csv", f"one table with the columns {', '.join(COLUMNS)}", tidy),
    )
}
"""Every form but JSON, which is the reply itself, by media type."""

ENDINGS = {form.ending: form.media_type for form in FORMS.values()} | {".json": JSON}
"""Media types by the ending of a file."""

WORDS = {kind: f"The report: {form.words}." for kind, form in FORMS.items()}
"""What each form is, for the contract."""


def written(document: Document, media_type: str) -> bytes:
    """Give a document in a form; the same document gives the same bytes."""
    return FORMS[media_type].write(document)
