"""A test sheet as a workbook: headings with notes, choices to pick from, an example beside it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import UTC, datetime

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from service.kit.problems import INVALID_REQUEST, RefusalError, refuse

from .fill import Cell, Sheet
from .grid import letters
from .layout import FORM, PASSES, RESULT_NOTE, TEST, TRAYS, Column

_MADE = datetime(2000, 1, 1, tzinfo=UTC)
"""Time of every workbook: the same sheet gives the same bytes."""

_FIRST = "Read me"
_EXAMPLE = "Example"
_LONGEST_CELL = 32_767
_ROWS_TO_FILL = 500
"""Rows below the headings that offer choices and notes."""

_TITLE_ROW, _NOTES_ROW, _HEADING_ROW = 1, 2, 3
_INK, _PAPER, _LINE = "FF1F3A4D", "FFE9F0F4", "FFB8C7D1"
_FAINT = "FF5B6B76"
_LONGEST_PROMPT = 250

_HOW_TO = f"""\
This workbook is one laboratory test. Fill in its sheets from left to right, and hand it in.

Test: one line an entry. How well things were weighed stands here.
Assays: what was assayed, and how well; one row each.
Tares: only where one tare was weighed once for several trays.
Passes: what was done, one row a pass, in the order in which it was run. Preparation counts too.
Trays: what was weighed and assayed, one row a tray. A head has 'head' under 'what'.
Example: a small test filled in. It is never read. Invented data.

Results: {RESULT_NOTE}
A tray that nobody weighed stays in the list with its weight blank: the balance finds it.
Formulas may be used; the results saved with the workbook count.
Hidden rows and merged cells that hold something are refused. Macros are not read.
Keep the headings as they are. Columns may change places, and those that you do not need may go.
A balance is not a certificate for custody transfer.""".splitlines()


def as_workbook(sheets: Sequence[Sheet], example: Sequence[Sheet]) -> bytes:
    """
    Write sheets as a workbook; the same sheets give the same bytes.

    Raises
    ------
    RefusalError
        422 where a text is longer than a cell can hold, or has a character that none can.
    """
    book = Workbook()
    first = book.worksheets[0]
    first.title = _FIRST
    _write_how_to(first)
    for sheet in sheets:
        _write(book.create_sheet(sheet.table.name), sheet)
    _write_example(book.create_sheet(_EXAMPLE), example)
    book.active = 1
    for page in book.worksheets:
        # Two sheets selected at once would take every entry twice.
        page.sheet_view.tabSelected = page is book.active
    book.properties.creator = FORM
    book.properties.created = _MADE
    written = io.BytesIO()
    book.save(written)
    return _timeless(written.getvalue())


def _timeless(content: bytes) -> bytes:
    """Give a package whose parts carry no time of making."""
    repacked = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as made,
        zipfile.ZipFile(repacked, "w", zipfile.ZIP_DEFLATED) as package,
    ):
        for name in made.namelist():
            part = made.read(name)
            if name == "docProps/core.xml":
                part = _dated(part)
            entry = zipfile.ZipInfo(name, date_time=_MADE.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, part)
    return repacked.getvalue()


def _dated(core: bytes) -> bytes:
    """Give the properties of a workbook with the one time."""
    head, mark, rest = core.partition(b"<dcterms:modified")
    opening, close, text = rest.partition(b">")
    _, end, after = text.partition(b"</dcterms:modified>")
    return (
        head + mark + opening + close + _MADE.strftime("%Y-%m-%dT%H:%M:%SZ").encode() + end + after
    )


def _write_how_to(page: Worksheet) -> None:
    page.column_dimensions["A"].width = 100
    page["A1"].value = FORM
    page["A1"].font = Font(bold=True, size=16, color=_INK)
    for row, line in enumerate(_HOW_TO, 3):
        cell = page.cell(row, 1)
        _set(cell, line)
        cell.alignment = Alignment(wrap_text=True, vertical="top")


def _set(cell: object, value: Cell) -> None:
    """
    Put a value into a cell, text always as text.

    Programs keep a number to sixteen digits; one that needs more stands as text, which is read
    back to the last of them.
    """
    if isinstance(value, float) and float(f"{value:.16g}") != value:
        value = repr(value)
    if isinstance(value, str):
        if len(value) > _LONGEST_CELL:
            raise _refuse(f"A text has {len(value)} characters; a cell holds {_LONGEST_CELL}.")
        if ILLEGAL_CHARACTERS_RE.search(value):
            raise _refuse("A text has a control character, which no cell can hold.")
    cell.value = value  # type: ignore[attr-defined]
    if isinstance(value, str):
        cell.data_type = "s"  # type: ignore[attr-defined] # not a formula, whatever it begins with


def _refuse(what: str) -> RefusalError:
    return refuse(INVALID_REQUEST, f"{what} Keep this test as JSON.")


def _write(page: Worksheet, sheet: Sheet) -> None:
    table = sheet.table
    page.sheet_view.showGridLines = False
    _set(page.cell(_TITLE_ROW, 1), f"{table.name}. {table.what}")
    page.cell(_TITLE_ROW, 1).font = Font(bold=True, size=12, color=_INK)
    line = Side(style="thin", color=_LINE)
    for i, (heading, note) in enumerate(zip(sheet.headings, sheet.notes, strict=True), 1):
        column = table.column(heading)
        told = note or ("" if table is TEST else RESULT_NOTE)
        cell = page.cell(_NOTES_ROW, i)
        _set(cell, told or None)
        cell.font = Font(italic=True, size=8, color=_FAINT)
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
        cell = page.cell(_HEADING_ROW, i)
        _set(cell, heading)
        cell.font = Font(bold=True, color=_INK)
        cell.fill = PatternFill("solid", fgColor=_PAPER)
        cell.border = Border(bottom=line)
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        page.column_dimensions[letters(i)].width = column.width if column else 12
        if column is not None and table is not TEST:
            _offer(page, column, i, table.name)
    for number, row in enumerate(sheet.rows, _HEADING_ROW + 1):
        for i, value in enumerate(row, 1):
            if value is not None:
                _set(page.cell(number, i), value)
    if table is TEST:
        _finish_test(page, sheet)
    page.row_dimensions[_NOTES_ROW].height = 14 if table is TEST else 96
    page.freeze_panes = page.cell(_HEADING_ROW + 1, 3 if table is TRAYS else 2)


def _finish_test(page: Worksheet, sheet: Sheet) -> None:
    """Widen the columns of the sheet of entries, and offer what can be picked."""
    for letter, width in (("A", 28), ("B", 48), ("C", 80)):
        page.column_dimensions[letter].width = width
    for number, row in enumerate(sheet.rows, _HEADING_ROW + 1):
        column = TEST.column(str(row[0]))
        page.cell(number, 3).font = Font(italic=True, color=_FAINT)
        page.cell(number, 2).alignment = Alignment(wrap_text=True, vertical="top")
        if column is not None and column.choices:
            _add(page, _choices(column), f"B{number}")
        elif column is not None and column.kind == "number":
            _add(page, _not_negative(column, "stop"), f"B{number}")


# --- what can be picked ---------------------------------------------------------------------------


def _offer(page: Worksheet, column: Column, i: int, table: str) -> None:
    """Let a column tell what belongs there, and offer what can be picked."""
    rule = _rule(column, table)
    first, last = _HEADING_ROW + 1, _HEADING_ROW + _ROWS_TO_FILL
    _add(page, rule, f"{letters(i)}{first}:{letters(i)}{last}")


def _add(page: Worksheet, rule: DataValidation, cells: str) -> None:
    rule.add(cells)
    page.add_data_validation(rule)


def _rule(column: Column, table: str) -> DataValidation:
    if column.choices:
        return _choices(column)
    if column.heading == "pass" and table == TRAYS.name:
        return _names(column, PASSES.name, "A")
    if column.heading == "fed":
        return _names(column, TRAYS.name, "B")
    if column.heading in {"gross", "loss expected", "loss sd", "spread"} or column.kind == "number":
        return _not_negative(column, "stop")
    if column.kind == "weight" or column.heading == "weighed":
        return _not_negative(column, "information")
    return _told(DataValidation(allow_blank=True), column)


def _told(rule: DataValidation, column: Column) -> DataValidation:
    rule.showInputMessage = True
    rule.promptTitle = column.heading[:32]
    rule.prompt = column.note[:_LONGEST_PROMPT]
    rule.allowBlank = True
    return rule


def _choices(column: Column) -> DataValidation:
    rule = DataValidation("list", formula1=f'"{",".join(column.choices)}"', showErrorMessage=True)
    rule.errorTitle, rule.error = column.heading[:32], "Pick one of the list, or leave it blank."
    return _told(rule, column)


def _names(column: Column, sheet: str, letter: str) -> DataValidation:
    first, last = _HEADING_ROW + 1, _HEADING_ROW + _ROWS_TO_FILL
    rule = DataValidation("list", formula1=f"'{sheet}'!${letter}${first}:${letter}${last}")
    rule.showErrorMessage, rule.errorStyle = True, "information"
    rule.error = f"This is no single name of the sheet '{sheet}'."
    return _told(rule, column)


def _not_negative(column: Column, style: str) -> DataValidation:
    rule = DataValidation("decimal", operator="greaterThanOrEqual", formula1="0")
    rule.showErrorMessage, rule.errorStyle = True, style
    rule.error = "A number of zero or more belongs here, without its unit."
    return _told(rule, column)


def _write_example(page: Worksheet, example: Sequence[Sheet]) -> None:
    """Show a small test filled in, sheets below one another."""
    page.sheet_properties.tabColor = _LINE
    _set(page.cell(1, 1), "Example. Invented data. Nothing on this sheet is read.")
    page.cell(1, 1).font = Font(bold=True, size=12, color=_INK)
    row = 3
    for sheet in example:
        filled = [r for r in sheet.rows if sheet.table is not TEST or r[1] is not None]
        if not filled:
            continue
        used = [i for i in range(len(sheet.headings)) if any(r[i] is not None for r in filled)]
        _set(page.cell(row, 1), f"on the sheet '{sheet.table.name}'")
        page.cell(row, 1).font = Font(italic=True, color=_FAINT)
        for k, i in enumerate(used, 1):
            cell = page.cell(row + 1, k)
            _set(cell, sheet.headings[i])
            cell.font = Font(bold=True, color=_INK)
            cell.fill = PatternFill("solid", fgColor=_PAPER)
        for number, cells in enumerate(filled, row + 2):
            for k, i in enumerate(used, 1):
                if cells[i] is not None:
                    _set(page.cell(number, k), cells[i])
        row += len(filled) + 3
    for i in range(1, 16):
        page.column_dimensions[letters(i)].width = 18
