"""Commands that run the service and look after its database."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from .database import copying, store_in
from .terminal import BAD_INPUT, complain, settings_in_force, stop, write


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on.")] = 8000,
) -> None:
    """
    Serve the REST API, on this machine only unless told otherwise.

    Elsewhere it listens only once there is a key ('evenlode keys create'). Keys travel in the
    clear: let a proxy that speaks TLS stand before it.
    """
    settings = settings_in_force()

    from service.access.local import is_loopback
    from service.access.service import does_any_hold
    from service.app import create_app
    from service.kit import logs
    from service.kit.serving import serve as serve_until_stopped

    store = store_in(settings, migrate_shared=settings.migrate_on_start)
    if not is_loopback(host) and not does_any_hold(store):
        stop(
            f"to listen on {host} a key is needed, since others may come. Make one: "
            "evenlode keys create NAME --scope read --scope post --scope sign --scope administer."
        )
    store.close()
    logs.configure()
    serve_until_stopped(create_app(settings), settings, host, port)


def settings() -> None:
    """
    Print every setting in force, and check the environment for slips.

    What is set by the environment is marked '*'. Exit status 2 if a value cannot be used, or if a
    variable that begins with EVENLODE_ is none of the settings.
    """
    from service.kit import environment

    in_force = settings_in_force()
    faults = environment.faults_of(os.environ)
    for fault in faults:
        complain(fault)
    for setting in environment.settings_of(in_force):
        write(f"{setting.name}={setting.value}{' *' if setting.is_set else ''}\n")
    if faults:
        raise typer.Exit(BAD_INPUT)


def migrate() -> None:
    """Bring the database to the form that this version works with, and say which."""
    from service.store.migrate import newest

    store = store_in(settings_in_force(), migrate_shared=True)
    write(f"{store.url.render_as_string(hide_password=True)} is at revision {newest()}.\n")
    store.close()


def backup(
    file: Annotated[str, typer.Argument(help="The new file; an existing one is left alone.")],
) -> None:
    """Copy the embedded database to a file, while the service may go on."""
    from service.store import backup as copies

    with copying() as store:
        revision = copies.backup(store, Path(file))
        write(f"'{file}' holds the database as it is now, at revision {revision}.\n")


def restore(
    file: Annotated[str, typer.Argument(help="A file that 'evenlode backup' made.")],
) -> None:
    """Put a copy in the place of the embedded database, which is kept beside it."""
    from service.store import backup as copies
    from service.store.prepare import prepare

    with copying() as store:
        kept = copies.restore(store, Path(file))
        prepare(store, migrate_shared=False)
        write(f"The database is that of '{file}' now.\n")
        if kept is not None:
            write(f"The former one is kept as '{kept}'.\n")


def install(application: typer.Typer) -> None:
    """Add these commands."""
    for command in (serve, settings, migrate, backup, restore):
        application.command()(command)
