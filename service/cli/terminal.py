"""What every command has in common at the terminal: reading, writing, and how it ends."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from service.kit.settings import Settings

CLOSED, NO_BALANCE, BAD_INPUT, DEFECT = 0, 1, 2, 3
"""Exit statuses; the help of the whole command tells them."""

RequestFile = Annotated[str, typer.Argument(help="A request in JSON; '-' is standard input.")]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print the reply of the service instead of a table.")
]


Replace = Annotated[
    bool, typer.Option("--replace", help="Write over a file that is there already.")
]


def write(text: str) -> None:
    """Write to standard output, in ASCII as far as the terminal knows no better."""
    encoding = sys.stdout.encoding or "utf-8"
    try:
        encoded = text.encode(encoding)
    except UnicodeEncodeError:
        encoded = text.replace("±", "+/-").encode(encoding, "backslashreplace")
    sys.stdout.flush()
    try:
        sys.stdout.buffer.write(encoded)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        # The reader has seen enough; what is left goes nowhere, and that is no error.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def complain(message: str) -> None:
    """Write a line to standard error."""
    typer.echo(f"evenlode: {message}", err=True)


def stop(message: str) -> NoReturn:
    """End with what is wrong with the input or the use."""
    complain(message)
    raise typer.Exit(BAD_INPUT)


def settings_in_force() -> Settings:
    """Give the settings of the environment, or end with every slip in them."""
    from pydantic import ValidationError

    from service.kit import environment
    from service.kit.settings import Settings

    try:
        return Settings()
    except ValidationError:
        for fault in environment.faults_of({}):
            complain(fault)
        raise typer.Exit(BAD_INPUT) from None


def request_in(file: str, limit_bytes: int) -> bytes:
    """Read a request, and one byte more than the limit so that the limit is noticed."""
    if file == "-":
        return sys.stdin.buffer.read(limit_bytes + 1)
    try:
        with Path(file).open("rb") as stream:
            return stream.read(limit_bytes + 1)
    except FileNotFoundError:
        stop(f"there is no file '{file}'.")
    except IsADirectoryError:
        stop(f"'{file}' is a directory, not a file.")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        stop(f"'{file}' cannot be read: {reason}.")


def file_to_write(output: str, endings: Mapping[str, str], *, replace: bool) -> tuple[Path, str]:
    """Give the file to write and the form that its ending names, or end with what is wrong."""
    path = Path(output)
    kind = endings.get(path.suffix.lower())
    if kind is None:
        stop(f"the ending of '{output}' names no form. Known endings: {', '.join(endings)}.")
    if path.is_dir():
        stop(f"'{output}' is a directory, not a file.")
    if path.exists() and not replace:
        stop(f"'{output}' is there already. Give another name, or --replace to write over it.")
    return path, kind


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
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
