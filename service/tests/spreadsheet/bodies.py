"""Sheets that are filled in as further forms of a request, for routes."""

from __future__ import annotations

from service.kit.media import CSV, XLSM, XLSX
from service.kit.stateless import OtherBody

from .layout import TABLES
from .service import through_table, through_workbook

_NAMES = ", ".join(f"'{table.name}'" for table in TABLES)

BODIES = {
    XLSX: OtherBody(through_workbook, f"A workbook with the sheets {_NAMES}, filled in."),
    XLSM: OtherBody(through_workbook, "The same with macros, which are never looked at."),
    CSV: OtherBody(
        through_table,
        "The same sheets below one another in one table, each begun by a line with its name "
        "alone. Cells parted by commas, semicolons or tabs; in UTF-8, UTF-16 or Windows-1252.",
    ),
}
"""Every form of a test sheet but JSON, by media type."""
