"""The command that writes a test sheet to fill in, or turns one form of it into another."""

from __future__ import annotations

from functools import partial
from typing import Annotated

import typer

from .calculations import answered
from .terminal import (
    Replace,
    file_to_write,
    request_in,
    settings_in_force,
    stop,
    write,
    write_whole,
)


def sheet(
    output: Annotated[
        str,
        typer.Argument(help="The file to write: .xlsx, .csv or .json."),
    ],
    of: Annotated[
        str | None,
        typer.Option(help="A test in any of these forms to fill it with; blank if left out."),
    ] = None,
    replace: Replace = False,
) -> None:
    """Write a test sheet to fill in: blank, or with the test of another file."""
    settings = settings_in_force()

    from service.kit.media import CSV, JSON, XLSX

    path, kind = file_to_write(output, {".xlsx": XLSX, ".csv": CSV, ".json": JSON}, replace=replace)
    if of is None and kind == JSON:
        stop("a blank sheet is a workbook (.xlsx) or a table (.csv); --of names a test for JSON.")

    from service.tests.spreadsheet.service import in_form, sheet_of

    if of is None:
        content = sheet_of(None, kind)
    else:
        body = request_in(of, settings.body_limit_bytes)
        content = answered(partial(in_form, into=kind), body, settings, json=False)
    write_whole(path, content)
    write(f"{output}\n")


def install(application: typer.Typer) -> None:
    """Add the command."""
    application.command()(sheet)
