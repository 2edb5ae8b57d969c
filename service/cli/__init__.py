"""
The command ``evenlode``: the same engine and contract as the service, from a file.

What a command needs is imported when it runs, so that help and usage errors come at once.
"""

from __future__ import annotations

import sys
import traceback
from typing import Annotated

import typer

from service.version import VERSION

from . import calculations, keys, report, running, sheet, shifts
from .terminal import CLOSED, DEFECT, complain, write

application = typer.Typer(
    name="evenlode",
    help="Mass-balance reconciliation for mineral separation.",
    epilog="Exit status: 0 balance closed, 1 no balance, 2 bad input or usage, 3 defect.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
calculations.install(application)
report.install(application)
sheet.install(application)
running.install(application)
application.add_typer(keys.application)
application.add_typer(shifts.application)


def _show_version(wanted: bool) -> None:
    if wanted:
        write(f"evenlode {VERSION}\n")
        raise typer.Exit(CLOSED)


@application.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Mass-balance reconciliation for mineral separation."""


def main() -> None:
    """Run the command; a defect is told with its trace and a status of its own."""
    try:
        application()
    except Exception:  # noqa: BLE001 - the last line of defence, and it hides nothing
        traceback.print_exc()
        complain("this is a defect of the program, please report it.")
        sys.exit(DEFECT)
