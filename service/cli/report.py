"""The command that writes a report to a file."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .calculations import answered
from .terminal import request_in, settings_in_force, stop, write

if TYPE_CHECKING:
    from service.filed import Report


def report(
    file: Annotated[
        str,
        typer.Argument(help="A request, or a reply that was kept, in JSON; '-' is standard input."),
    ],
    output: Annotated[
        str,
        typer.Option("--output", "-o", help="The file to write; its ending says in which form."),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file that is there already.")
    ] = False,
) -> None:
    """Write the report of a balance: a page to read, print or send on."""
    settings = settings_in_force()

    from service.report.forms import ENDINGS

    path = Path(output)
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        stop(f"the ending of '{output}' names no form. Known endings: {', '.join(ENDINGS)}.")
    if path.is_dir():
        stop(f"'{output}' is a directory, not a file.")
    if path.exists() and not replace:
        stop(f"'{output}' is there already. Give another name, or --replace to write over it.")
    body = request_in(file, settings.body_limit_bytes)
    _tell("reading and balancing ...")

    from service.filed import report_of

    found = answered(report_of, body, settings, json=False)
    _tell("writing the report ...")
    _write(path, found, kind)
    write(f"{output}\n")


def _tell(what: str) -> None:
    """Say on a terminal what is being done, since it may take more than a moment."""
    if sys.stderr.isatty():
        typer.echo(f"evenlode: {what}", err=True)


def _write(path: Path, found: Report, kind: str) -> None:
    """Write the file whole or not at all."""
    content = found.written(kind)
    try:
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:32]}-")
        try:
            with os.fdopen(descriptor, "wb") as stream:
                stream.write(content)
            mask = os.umask(0)
            os.umask(mask)
            Path(name).chmod(0o666 & ~mask)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        stop(f"'{path}' cannot be written: {error.strerror or error}.")


def install(application: typer.Typer) -> None:
    """Add the command."""
    application.command()(report)
