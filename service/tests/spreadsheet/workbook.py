"""From the bytes of a workbook to its cells, with everything that cannot be read as it looks."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from openpyxl import load_workbook

from .grid import Broken, Grid, Slip, Value
from .package import MOST_COLUMNS, MOST_ROWS, Survey, reading, surveyed

_WITHOUT_RESULT = Broken(
    "formula-without-result",
    "The cell holds a formula whose result was not saved with the workbook.",
    "Open the workbook in a spreadsheet program and save it there, or write the value itself.",
)
_SHARE_FORMAT = "%"


def read_workbook(content: bytes, wanted: Collection[str]) -> tuple[dict[str, Grid], list[Slip]]:
    """
    Give the cells of those sheets of a workbook that are wanted, by the names asked for.

    Names are compared without regard to capitals and outer spaces.  Formulas count by the results
    saved with them.

    Raises
    ------
    RefusalError
        400 where it is no workbook, is locked or broken, or would swell beyond reason.
    """
    surveys = {survey.name: survey for survey in surveyed(content)}
    found: dict[str, Grid] = {}
    slips: list[Slip] = []
    by_name = {name.strip().lower(): name for name in wanted}
    with reading():
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        try:
            for sheet in book.worksheets:
                name = by_name.get(sheet.title.strip().lower())
                if name is None or sheet.title not in surveys:
                    continue
                if name in found:
                    slips.append(_twice(found[name]))
                    continue
                survey = surveys[sheet.title]
                found[name] = grid = Grid(name)
                _take_cells(grid, sheet, survey)
                slips += _hidden_or_merged(grid, survey)
        finally:
            book.close()
    return found, slips


def _twice(grid: Grid) -> Slip:
    what = f"The workbook has two sheets '{grid.name}', told apart by capitals or spaces only."
    return Slip(grid.place(0), (), "repeated-sheet", what, "Keep one of them.")


def _take_cells(grid: Grid, sheet: Any, survey: Survey) -> None:  # noqa: ANN401 - a sheet as read
    for cells in sheet.iter_rows(max_row=MOST_ROWS, max_col=MOST_COLUMNS):
        for cell in cells:
            value = None if cell.value is None else _value(cell)
            if value is not None:
                grid.rows.setdefault(cell.row, {})[cell.column] = value
    for row, column in survey.without_result:
        grid.rows.setdefault(row, {})[column] = _WITHOUT_RESULT


def _value(cell: Any) -> Value | None:  # noqa: ANN401 - a cell as read
    """Give what a cell holds; None where it looks blank."""
    value = cell.value
    if cell.data_type == "e":
        what = f"The cell shows the error {str(value)[:20]}."
        return Broken("cell-error", what, "Mend its formula, or write the value itself.")
    if isinstance(value, bool | datetime | date | time | timedelta):
        return value
    if isinstance(value, int | float):
        return _number(value, str(cell.number_format))
    text = str(value).strip()
    return text or None


def _number(value: float, number_format: str) -> Value:
    """Give a number, unless it is shown a hundred times as large as it is."""
    if _SHARE_FORMAT in number_format and value != 0:
        return Broken(
            "percentage-format",
            f"The cell is formatted as a percentage: it holds {value:.12g} and shows "
            f"{100 * value:.12g} %.",
            "Format it as a plain number and write the number that belongs to the unit in the "
            "heading.",
        )
    return value


def _hidden_or_merged(grid: Grid, survey: Survey) -> Iterator[Slip]:
    """Tell what would count, or not count, without being seen."""
    if survey.beyond is not None:
        what = (
            f"Cell {survey.beyond} holds something, beyond the {MOST_ROWS} rows and "
            f"{MOST_COLUMNS} columns that are read."
        )
        yield Slip(grid.place(0), (), "cell-out-of-reach", what, "Move it, or take it out.")
    for row, cells in grid:
        if row in survey.hidden_rows:
            what = "The row is hidden, but holds something."
            mend = "Show it (take filters off) if it is to count, or delete it."
            yield Slip(grid.place(row), (), "hidden-row", what, mend)
        for column in sorted(survey.hidden_columns & cells.keys()):
            what = "The column is hidden, but this cell holds something."
            mend = "Show the column if it is to count, or delete it."
            yield Slip(grid.place(row, column), (), "hidden-column", what, mend)
    for first_row, first_column, last_row, last_column in survey.merged:
        spans_rows = last_row > first_row
        if (first_row in grid.rows and first_column in grid.rows[first_row]) and (
            spans_rows or last_column > first_column
        ):
            what = "The cell is merged with others, so that one entry stands for several."
            mend = "Part the cells again, and give each its own entry."
            yield Slip(grid.place(first_row, first_column), (), "merged-cells", what, mend)
