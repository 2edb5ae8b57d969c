"""A test that comes as a workbook or a table: read, judged by the cell, and handed on as JSON."""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Callable
from typing import TypeVar

from service.kit.calculations import Work
from service.kit.media import CSV, JSON, XLSX
from service.kit.problems import RefusalError
from service.kit.settings import Settings
from service.tests.reply import TestReply
from service.tests.schemas import MINIMAL_SHEET, TestSheet
from service.tests.service import reconcile_test
from service.tests.terms.take_in import take_in

from .document import document_of
from .fill import blank_sheets, sheets_of
from .filled import Filled
from .layout import TABLES
from .package import OLE_MAGIC
from .table import read_table
from .workbook import read_workbook
from .write_table import as_table
from .write_workbook import as_workbook

_NAMES = tuple(table.name for table in TABLES)
_NAME_ALONE = re.compile(
    rf'^"?({"|".join(_NAMES)})"?[,;\t ]*\r?$'.encode(), re.IGNORECASE | re.MULTILINE
)
_LOOKED_THROUGH = 64 * 1024

_Found = TypeVar("_Found")


def filled_of(content: bytes, kind: str) -> Filled:
    """
    Read a sheet that was filled in; what is no table is taken for a workbook.

    Raises
    ------
    RefusalError
        400 where it is no workbook, or no table.
    """
    read = read_table if kind == CSV else read_workbook
    return document_of(*read(content, _NAMES))


def through(
    content: bytes, settings: Settings, kind: str, then: Callable[[bytes, Settings], _Found]
) -> _Found:
    """
    Do with a filled sheet what can be done with a JSON sheet.

    Parameters
    ----------
    content
        the sheet as it came.
    settings
        limits of the service.
    kind
        its media type.
    then
        what takes a JSON sheet, and may refuse it.

    Raises
    ------
    RefusalError
        with everything that cannot be read, and whatever ``then`` refuses, each with its cell.
    """
    filled = filled_of(content, kind)
    body = json.dumps(filled.document, ensure_ascii=False, allow_nan=False).encode()
    if filled.slips:
        raise filled.refusal(_judged(filled, body, settings))
    try:
        return then(body, settings)
    except RefusalError as refusal:
        raise filled.told_by_cell(refusal) from refusal


def _judged(filled: Filled, body: bytes, settings: Settings) -> RefusalError | None:
    """Give what else is wrong with a sheet of which something could not be read."""
    if filled.is_hopeless:
        return None
    try:
        take_in(body, settings)
    except RefusalError as refusal:
        return refusal
    return None


def through_workbook(content: bytes, settings: Settings, then: Work) -> bytes:
    """Do with a workbook what can be done with a JSON sheet; raises as :func:`through`."""
    return through(content, settings, XLSX, then)


def through_table(content: bytes, settings: Settings, then: Work) -> bytes:
    """Do with a table what can be done with a JSON sheet; raises as :func:`through`."""
    return through(content, settings, CSV, then)


def sheet_of(test: TestSheet | None, kind: str) -> bytes:
    """
    Write a test as a sheet that can be filled in further; a blank one without a test.

    Raises
    ------
    RefusalError
        422 where no cell can hold a text of it.
    """
    sheets = blank_sheets() if test is None else sheets_of(test)
    if kind == CSV:
        return as_table(sheets)
    return as_workbook(sheets, sheets_of(TestSheet.model_validate(MINIMAL_SHEET)))


def kind_of(content: bytes) -> str:
    """
    Tell what a file is: a workbook by its first bytes, a table by a line with the name of a sheet.

    Gives the media type; that of JSON for everything else.
    """
    if content.startswith((b"PK", OLE_MAGIC)):
        return XLSX
    is_wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return CSV if is_wide or _NAME_ALONE.search(content[:_LOOKED_THROUGH]) else JSON


def reconcile_any(content: bytes, settings: Settings) -> TestReply:
    """
    Give the reconciled test of a sheet in whichever form it is.

    Raises
    ------
    RefusalError
        as :func:`through`, or :func:`~service.tests.service.reconcile_test`.
    """
    kind = kind_of(content)
    if kind == JSON:
        return reconcile_test(content, settings)
    return through(content, settings, kind, reconcile_test)


def json_sheet_of(content: bytes, settings: Settings) -> bytes:
    """Give a sheet in whichever form as JSON, once it makes sense; raises likewise."""

    def checked(body: bytes, within: Settings) -> bytes:
        take_in(body, within)
        return body

    kind = kind_of(content)
    if kind == JSON:
        return checked(content, settings)
    return through(content, settings, kind, checked)


def in_form(content: bytes, settings: Settings, into: str) -> bytes:
    """
    Give a sheet in whichever form in another one, by media type.

    Raises
    ------
    RefusalError
        as :func:`json_sheet_of` and :func:`sheet_of`.
    """
    document = json.loads(json_sheet_of(content, settings).decode("utf-8-sig"))
    if into == JSON:
        return f"{json.dumps(document, ensure_ascii=False, indent=2)}\n".encode()
    return sheet_of(TestSheet.model_validate(document), into)
