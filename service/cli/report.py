"""The command that writes a report to a file."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from .calculations import answered
from .terminal import Replace, file_to_write, request_in, settings_in_force, write, write_whole


def report(
    file: Annotated[
        str,
        typer.Argument(help="A request, a filled sheet or a kept reply; '-' is standard input."),
    ],
    output: Annotated[
        str,
        typer.Option("--output", "-o", help="The file to write; its ending says in which form."),
    ],
    replace: Replace = False,
) -> None:
    """Write the report of a balance: a page to read, print or send on."""
    settings = settings_in_force()

    from service.report.forms import ENDINGS

    path, kind = file_to_write(output, ENDINGS, replace=replace)
    body = request_in(file, settings.body_limit_bytes)
    _tell("reading and balancing ...")

    from service.filed import report_of

    found = answered(report_of, body, settings, json=False)
    _tell("writing the report ...")
    write_whole(path, found.written(kind))
    write(f"{output}\n")


def _tell(what: str) -> None:
    """Say on a terminal what is being done, since it may take more than a moment."""
    if sys.stderr.isatty():
        typer.echo(f"evenlode: {what}", err=True)


def install(application: typer.Typer) -> None:
    """Add the command."""
    application.command()(report)
