"""
A workbook as the package of XML parts that it is (ECMA-376), looked through before it is read.

It is foreign data of any origin: nothing is unpacked that would swell beyond reason, no entity is
expanded, and what the reader of values passes over in silence is found here: hidden rows, merged
cells, formulas without a result.  Macros and everything else that is no cell are never touched.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring, iterparse

from reconcile.faults import Fault
from service.kit.problems import UNREADABLE_SHEET, RefusalError, problem_of

MOST_UNPACKED_BYTES = 16 * 2**20
"""A sheet of a thousand trays unpacks to a megabyte."""

MOST_PARTS = 1000
"""Parts of a package; ours has about twenty."""

MOST_ROWS, MOST_COLUMNS = 5000, 400
"""Where cells are looked for; nothing may stand beyond."""

_MOST_MERGED = 10_000

_RELATION_ID = "id"
_CELL = re.compile(r"([A-Z]{1,3})([1-9]\d{0,6})")
OLE_MAGIC = bytes.fromhex("D0CF11E0A1B11AE1")
_ZIP_MAGIC = b"PK\x03\x04"

_UNREADABLE = (
    *(zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, ParseError, DefusedXmlException),
    *(KeyError, ValueError, TypeError, AttributeError, IndexError, EOFError),
    *(RuntimeError, OSError),
)
"""What a file that is none, or is broken, makes of those who read it."""

HOW = (
    "Save it as an Excel workbook (.xlsx) without a password, or fill in the blank sheet that the "
    "service hands out."
)


def refuse_unreadable(what: str, mend: str = HOW) -> RefusalError:
    """Give the refusal of a file that is no workbook, or one that is not read."""
    fault = Fault((), "malformed-workbook", what, mend)
    return RefusalError(UNREADABLE_SHEET, problem_of(UNREADABLE_SHEET, f"{what} {mend}", [fault]))


@contextmanager
def reading() -> Iterator[None]:
    """
    Read something of a package.

    Raises
    ------
    RefusalError
        400 where it cannot be read.
    """
    try:
        yield
    except _UNREADABLE as error:
        raise refuse_unreadable("The workbook cannot be read: it is broken, or locked.") from error


@dataclass(slots=True)
class Survey:
    """What was found in one sheet; cells are (row, column), counted from 1."""

    name: str
    is_hidden: bool
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    """First row, first column, last row, last column."""
    without_result: set[tuple[int, int]] = field(default_factory=set)
    """Cells with a formula whose result was not saved."""
    beyond: str | None = None
    """A cell that holds something where none is looked for."""


def surveyed(content: bytes) -> list[Survey]:
    """
    Look a workbook through.

    Raises
    ------
    RefusalError
        400 where it is none, is broken or locked, or would swell beyond reason.
    """
    if content.startswith(OLE_MAGIC):
        raise refuse_unreadable(
            "The workbook is locked with a password, or in the format of before 2007."
        )
    if not content.startswith(_ZIP_MAGIC):
        raise refuse_unreadable("The file is no workbook.")
    with reading(), zipfile.ZipFile(io.BytesIO(content)) as package:
        _check_size(package)
        names = set(package.namelist())
        if "mimetype" in names and b"opendocument" in package.read("mimetype")[:200]:
            raise refuse_unreadable("The file is an OpenDocument sheet, which is not read.")
        if "xl/workbook.bin" in names:
            raise refuse_unreadable("The workbook is in the binary format, which is not read.")
        return [
            _survey(package, name, part, is_hidden)
            for name, part, is_hidden in _sheets(package)
            if part in names
        ]


def _check_size(package: zipfile.ZipFile) -> None:
    # The reader of the archive gives no part more than the bytes declared here.
    parts = package.infolist()
    unpacked = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED_BYTES:
        raise refuse_unreadable(
            f"The workbook unpacks to {len(parts)} parts of {unpacked} bytes; at most {MOST_PARTS} "
            f"parts and {MOST_UNPACKED_BYTES} bytes are read.",
            "Take pictures and everything else that is no test sheet out of it.",
        )


def _bare(name: str) -> str:
    return name.rpartition("}")[2]


def _attribute(element: Element, name: str) -> str:
    """Give an attribute, whatever its namespace; empty where it is absent."""
    return next((v for k, v in element.attrib.items() if _bare(k) == name), "")


def _sheets(package: zipfile.ZipFile) -> Iterator[tuple[str, str, bool]]:
    """Give name, part and whether it is hidden of each sheet, in their order."""
    relations = fromstring(package.read("xl/_rels/workbook.xml.rels"))
    targets = {_attribute(r, "Id"): _attribute(r, "Target") for r in relations}
    for sheet in fromstring(package.read("xl/workbook.xml")).iter():
        if _bare(sheet.tag) != "sheet":
            continue
        related = next(
            v for k, v in sheet.attrib.items() if _bare(k) == _RELATION_ID and k != _RELATION_ID
        )
        target = targets.get(related, "")
        part = target.lstrip("/") if target.startswith("/") else posixpath.join("xl", target)
        yield (
            _attribute(sheet, "name"),
            posixpath.normpath(part),
            _attribute(sheet, "state") not in {"", "visible"},
        )


def _survey(package: zipfile.ZipFile, name: str, part: str, is_hidden: bool) -> Survey:
    found = Survey(name, is_hidden)
    with package.open(part) as stream:
        for _, element in iterparse(stream, events=("end",)):
            tag = _bare(element.tag)
            if tag == "c":
                _note_cell(found, element)
            elif tag == "row":
                if _attribute(element, "hidden") in {"1", "true"}:
                    found.hidden_rows.add(int(_attribute(element, "r") or 0))
                element.clear()
            elif tag == "col" and _attribute(element, "hidden") in {"1", "true"}:
                first, last = int(_attribute(element, "min")), int(_attribute(element, "max"))
                found.hidden_columns |= set(range(first, min(last, MOST_COLUMNS) + 1))
            elif tag == "mergeCell" and len(found.merged) < _MOST_MERGED:
                found.merged.append(_corners(_attribute(element, "ref")))
    return found


def _note_cell(found: Survey, cell: Element) -> None:
    holds = {_bare(inner.tag): inner for inner in cell}
    reference = _attribute(cell, "r")
    if not holds or not reference:
        return
    row, column = _position(reference)
    if (row > MOST_ROWS or column > MOST_COLUMNS) and found.beyond is None:
        found.beyond = reference
    if "f" in holds and not ("v" in holds and holds["v"].text):
        found.without_result.add((row, column))


def _position(reference: str) -> tuple[int, int]:
    match = _CELL.fullmatch(reference.replace("$", ""))
    if match is None:
        raise ValueError(reference)
    column = 0
    for letter in match[1]:
        column = column * 26 + ord(letter) - ord("A") + 1
    return int(match[2]), column


def _corners(reference: str) -> tuple[int, int, int, int]:
    first, _, last = reference.partition(":")
    return (*_position(first), *_position(last or first))
