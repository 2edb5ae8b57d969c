"""The command ``evenlode``: the same engine and contract as the service, from a file."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn, TypeVar

import typer

from service.version import VERSION

if TYPE_CHECKING:
    from service.kit.settings import Settings
    from service.shifts.repository import Filters
    from service.store import Store

# What balances is imported where it is used, so that help and usage errors come at once.

Reply = TypeVar("Reply")

CLOSED, NO_BALANCE, BAD_INPUT, DEFECT = 0, 1, 2, 3

application = typer.Typer(
    name="evenlode",
    help="Mass-balance reconciliation for mineral separation.",
    epilog="Exit status: 0 balance closed, 1 no balance, 2 bad input or usage, 3 defect.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _write(text: str) -> None:
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


def _stop(message: str) -> NoReturn:
    typer.echo(f"evenlode: {message}", err=True)
    raise typer.Exit(BAD_INPUT)


def _settings() -> Settings:
    from pydantic import ValidationError

    from service.kit import environment
    from service.kit.settings import Settings

    try:
        return Settings()
    except ValidationError:
        for fault in environment.faults_of({}):
            typer.echo(f"evenlode: {fault}", err=True)
        raise typer.Exit(BAD_INPUT) from None


def _store(settings: Settings, *, migrate_shared: bool) -> Store:
    """Give the database that is set, ready for use."""
    from service.kit.problems import RefusalError
    from service.store import Store
    from service.store.engine import UnusableUrlError, database_url
    from service.store.prepare import NotMigratedError, prepare

    try:
        url = database_url(settings.database_url)
        store = Store(url, settings.database_connections, settings.database_wait_s)
        prepare(store, migrate_shared=migrate_shared)
    except UnusableUrlError as error:
        _stop(f"EVENLODE_DATABASE_URL is not right: {error}.")
    except NotMigratedError as error:
        _stop(f"{error}.")
    except (RefusalError, OSError) as error:
        place = url.render_as_string(hide_password=True)
        _stop(f"the database {place} cannot be used: {_cause(error)}")
    return store


@contextmanager
def _opened(settings: Settings) -> Iterator[Store]:
    """Give the database for a while; what cannot be done with a key is told as bad input."""
    from service.access.service import UnusableKeyError

    store = _store(settings, migrate_shared=False)
    try:
        yield store
    except UnusableKeyError as error:
        _stop(f"{error}.")
    finally:
        store.close()


def _cause(error: BaseException) -> str:
    """Give what a database or the file system said, on one line."""
    cause = error.__cause__ or error
    return " ".join(str(getattr(cause, "orig", None) or cause).split())


def _body(file: str, limit_bytes: int) -> bytes:
    """Read the request, and one byte more than the limit so that the limit is noticed."""
    if file == "-":
        return sys.stdin.buffer.read(limit_bytes + 1)
    try:
        with Path(file).open("rb") as stream:
            return stream.read(limit_bytes + 1)
    except FileNotFoundError:
        _stop(f"there is no file '{file}'.")
    except IsADirectoryError:
        _stop(f"'{file}' is a directory, not a file.")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        _stop(f"'{file}' cannot be read: {reason}.")


@application.command()
def balance(
    file: Annotated[str, typer.Argument(help="A request in JSON; '-' is standard input.")],
    json: Annotated[
        bool, typer.Option("--json", help="Print the reply of the service instead of a table.")
    ] = False,
) -> None:
    """Reconcile the readings in a file and print the balance."""
    settings = _settings()
    body = _body(file, settings.body_limit_bytes)

    from service.balances.reply import as_json
    from service.balances.service import balance as balance_of
    from service.balances.table import as_text

    found = _answered(balance_of, body, settings, json=json)
    _write(as_json(found, indent=2) + "\n" if json else as_text(found))


@application.command()
def drift(
    file: Annotated[str, typer.Argument(help="Many shifts in JSON; '-' is standard input.")],
    json: Annotated[
        bool, typer.Option("--json", help="Print the reply of the service instead of a table.")
    ] = False,
) -> None:
    """Look at many shifts together: which instrument is off, which stated sd is wrong."""
    settings = _settings()
    body = _body(file, settings.body_limit_bytes)

    from service.drift.reply import as_json
    from service.drift.service import drift as drift_of
    from service.drift.table import as_text

    found = _answered(drift_of, body, settings, json=json)
    _write(as_json(found, indent=2) + "\n" if json else as_text(found))


@application.command(name="sampling-plan")
def sampling_plan(
    file: Annotated[str, typer.Argument(help="A request in JSON; '-' is standard input.")],
    json: Annotated[
        bool, typer.Option("--json", help="Print the reply of the service instead of tables.")
    ] = False,
) -> None:
    """Rank further readings for the request in a file, and plan which to take."""
    settings = _settings()
    body = _body(file, settings.body_limit_bytes)

    from service.sampling_plans.reply import as_json
    from service.sampling_plans.service import plan
    from service.sampling_plans.table import as_text

    found = _answered(plan, body, settings, json=json)
    _write(as_json(found, indent=2) + "\n" if json else as_text(found))


def _answered(
    answer: Callable[[bytes, Settings], Reply], body: bytes, settings: Settings, *, json: bool
) -> Reply:
    """Give the answer to a request, or tell why there is none and end."""
    from service.kit import problems
    from service.kit.plain_table import visible
    from service.kit.threads import use_one_thread_each

    use_one_thread_each()
    try:
        return answer(body, settings)
    except problems.RefusalError as refusal:
        if json:
            _write(problems.as_json(refusal.problem, indent=2) + "\n")
        else:
            for line in problems.as_lines(refusal.problem):
                typer.echo(visible(line), err=True)
        raise typer.Exit(NO_BALANCE if refusal.problem.outcome else BAD_INPUT) from None


@application.command()
def example(
    name: Annotated[str | None, typer.Argument(help="Its name; leave out for a list.")] = None,
) -> None:
    """Print an example request, ready for 'evenlode balance -'."""
    from service import examples

    if name is None:
        _write("".join(f"{known}\n" for known in examples.names()))
        return
    try:
        _write(examples.text(name))
    except KeyError:
        _stop(f"there is no example '{name}'. Known examples: {', '.join(examples.names())}.")


@application.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on.")] = 8000,
) -> None:
    """
    Serve the REST API, on this machine only unless told otherwise.

    Elsewhere it listens only once there is a key ('evenlode keys create'). Keys travel in the
    clear: let a proxy that speaks TLS stand before it.
    """
    settings = _settings()

    from service.access.local import is_loopback
    from service.access.service import does_any_hold
    from service.app import create_app
    from service.kit import logs
    from service.kit.serving import serve as serve_until_stopped

    store = _store(settings, migrate_shared=settings.migrate_on_start)
    if not is_loopback(host) and not does_any_hold(store):
        _stop(
            f"to listen on {host} a key is needed, since others may come. Make one: "
            "evenlode keys create NAME --scope read --scope post --scope sign --scope administer."
        )
    store.close()
    logs.configure()
    serve_until_stopped(create_app(settings), settings, host, port)


keys = typer.Typer(name="keys", help="Keys by which callers are known.", no_args_is_help=True)
application.add_typer(keys)


@keys.command("create")
def create_key(
    name: Annotated[str, typer.Argument(help="Whose key it is; stands in lists and trails.")],
    scope: Annotated[
        list[str], typer.Option(help="What it opens: read, post, sign, administer. Repeat it.")
    ],
    site: Annotated[
        str | None, typer.Option(help="The one site that it opens; every site if left out.")
    ] = None,
    days: Annotated[
        float | None, typer.Option(help="How long it holds; for good if left out.")
    ] = None,
) -> None:
    """Make a key and print it. It is not shown again: keep it where only its holder can read it."""
    from service.access import service
    from service.kit.caller import Scope

    strange = [word for word in scope if word not in set(Scope)]
    if strange:
        _stop(f"there is no scope '{strange[0]}'. Known: {', '.join(Scope)}.")
    with _opened(_settings()) as store:
        made = service.create(store, name, map(Scope, scope), site, days)
    _write(f"{made}\n")


@keys.command("list")
def list_keys() -> None:
    """Print all keys that were ever made: prefix, name, site, scopes, and until when each holds."""
    from service.access import service
    from service.kit.instants import now, written

    with _opened(_settings()) as store:
        found = service.listed(store)
    for key in found:
        standing = "holds" if key.holds(now()) else "expired"
        standing = "revoked" if key.revoked_at is not None else standing
        until = written(key.expires_at) if key.expires_at is not None else "-"
        cells = (
            key.prefix,
            standing,
            until,
            key.site or "every site",
            ",".join(sorted(key.scopes)),
        )
        _write("\t".join((*cells, key.name)) + "\n")


@keys.command("revoke")
def revoke_key(
    prefix: Annotated[str, typer.Argument(help="Its twelve digits, or the whole key.")],
) -> None:
    """Let a key open nothing from now on."""
    from service.access import service

    with _opened(_settings()) as store:
        found = service.revoke(store, prefix)
    _write(f"{found.prefix} of '{found.name}' opens nothing from now on.\n")


shifts = typer.Typer(name="shifts", help="Balances of shifts that are kept.", no_args_is_help=True)
application.add_typer(shifts)

Since = Annotated[str | None, typer.Option("--from", help="Only shifts that end after this time.")]
Until = Annotated[str | None, typer.Option("--to", help="Only shifts that start before it.")]
OfSite = Annotated[str, typer.Argument(help="Key of the site.")]


@contextmanager
def _kept() -> Iterator[tuple[Store, Settings]]:
    """Give the database for a while; what is not there is told as bad input."""
    from service.kit.problems import RefusalError, as_lines
    from service.kit.threads import use_one_thread_each

    settings = _settings()
    use_one_thread_each()
    with _opened(settings) as store:
        try:
            yield store, settings
        except RefusalError as refusal:
            _stop(" ".join(as_lines(refusal.problem)))


def _between(since: str | None, until: str | None) -> Filters:
    from service.kit.instants import NotATimeError, instant
    from service.shifts.repository import Filters

    try:
        times = [None if text is None else instant(text) for text in (since, until)]
    except NotATimeError as error:
        _stop(f"{error.what} {error.mend}")
    return Filters(since=times[0], until=times[1])


@shifts.command("calculate")
def calculate_shifts(site: OfSite) -> None:
    """Bring every balance of a site up to what was read; the service does so by itself."""
    from service.shifts.calculation import all_brought_up

    with _kept() as (store, settings):
        for address, problem in all_brought_up(store, site, settings):
            _write(f"{address}\t{problem or 'calculated'}\n")


@shifts.command("replay")
def replay_shifts(site: OfSite, since: Since = None, until: Until = None) -> None:
    """
    Calculate kept balances again, and tell what this version would change; nothing is stored.

    Exit status 1 if any figure changed by more than rounding.
    """
    from service.shifts.replay import CHANGED, replayed

    counts: dict[str, int] = {}
    with _kept() as (store, settings):
        for one in replayed(store, site, _between(since, until), settings):
            counts[one.verdict] = counts.get(one.verdict, 0) + 1
            _write(f"{one.place.address}\t{one.revision}\t{one.standing}\t{one.verdict}\n")
            _write("".join(f"  {statement}\n" for statement in one.statements))
    _write(", ".join(f"{count} {verdict}" for verdict, count in counts.items()) + "\n")
    if CHANGED in counts:
        raise typer.Exit(NO_BALANCE)


@shifts.command("trail")
def print_trail(site: OfSite) -> None:
    """
    Print what persons decided and signed, and check the chain of the trail.

    Exit status 1 if it is broken, with a line for each place.
    """
    from service.shifts.service import broken_links, whole_trail

    with _kept() as (store, _):
        for entry in whole_trail(store, site):
            cells = (entry["number"], entry["at"], entry["kind"], entry["person"], entry["reason"])
            _write("\t".join(map(str, cells)) + "\n")
        broken = broken_links(store, site)
    for sentence in broken:
        typer.echo(f"evenlode: {sentence}", err=True)
    if broken:
        raise typer.Exit(NO_BALANCE)


@application.command()
def settings() -> None:
    """
    Print every setting in force, and check the environment for slips.

    What is set by the environment is marked '*'. Exit status 2 if a value cannot be used, or if a
    variable that begins with EVENLODE_ is none of the settings.
    """
    from service.kit import environment

    in_force = _settings()
    faults = environment.faults_of(os.environ)
    for fault in faults:
        typer.echo(f"evenlode: {fault}", err=True)
    for setting in environment.settings_of(in_force):
        _write(f"{setting.name}={setting.value}{' *' if setting.is_set else ''}\n")
    if faults:
        raise typer.Exit(BAD_INPUT)


@application.command()
def migrate() -> None:
    """Bring the database to the form that this version works with, and say which."""
    from service.store.migrate import newest

    store = _store(_settings(), migrate_shared=True)
    _write(f"{store.url.render_as_string(hide_password=True)} is at revision {newest()}.\n")
    store.close()


@application.command()
def backup(
    file: Annotated[str, typer.Argument(help="The new file; an existing one is left alone.")],
) -> None:
    """Copy the embedded database to a file, while the service may go on."""
    from service.store import backup as copies

    with _copying() as store:
        revision = copies.backup(store, Path(file))
        _write(f"'{file}' holds the database as it is now, at revision {revision}.\n")


@application.command()
def restore(
    file: Annotated[str, typer.Argument(help="A file that 'evenlode backup' made.")],
) -> None:
    """Put a copy in the place of the embedded database, which is kept beside it."""
    from service.store import backup as copies
    from service.store.prepare import prepare

    with _copying() as store:
        kept = copies.restore(store, Path(file))
        prepare(store, migrate_shared=False)
        _write(f"The database is that of '{file}' now.\n")
        if kept is not None:
            _write(f"The former one is kept as '{kept}'.\n")


@contextmanager
def _copying() -> Iterator[Store]:
    """Give the database that is set, however it stands; what cannot be copied is told."""
    from service.kit.problems import RefusalError
    from service.store import Store
    from service.store.backup import CopyRefusedError
    from service.store.engine import UnusableUrlError, database_url

    try:
        store = Store(database_url(_settings().database_url))
        yield store
    except UnusableUrlError as error:
        _stop(f"EVENLODE_DATABASE_URL is not right: {error}.")
    except CopyRefusedError as error:
        _stop(f"{error}.")
    except (RefusalError, OSError) as error:
        _stop(f"the database cannot be used: {_cause(error)}.")
    store.close()


def _show_version(wanted: bool) -> None:
    if wanted:
        _write(f"evenlode {VERSION}\n")
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
        typer.echo("evenlode: this is a defect of the program, please report it.", err=True)
        sys.exit(DEFECT)


if __name__ == "__main__":
    main()
