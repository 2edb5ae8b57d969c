"""Commands about balances of shifts that are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from .database import kept
from .terminal import NO_BALANCE, complain, stop, write

if TYPE_CHECKING:
    from service.shifts.repository import Filters

application = typer.Typer(
    name="shifts", help="Balances of shifts that are kept.", no_args_is_help=True
)

Since = Annotated[str | None, typer.Option("--from", help="Only shifts that end after this time.")]
Until = Annotated[str | None, typer.Option("--to", help="Only shifts that start before it.")]
OfSite = Annotated[str, typer.Argument(help="Key of the site.")]


def _between(since: str | None, until: str | None) -> Filters:
    from service.kit.instants import NotATimeError, instant
    from service.shifts.repository import Filters

    try:
        times = [None if text is None else instant(text) for text in (since, until)]
    except NotATimeError as error:
        stop(f"{error.what} {error.mend}")
    return Filters(since=times[0], until=times[1])


@application.command("calculate")
def calculate_shifts(site: OfSite) -> None:
    """Bring every balance of a site up to what was read; the service does so by itself."""
    from service.shifts.calculation import all_brought_up

    with kept() as (store, settings):
        for address, problem in all_brought_up(store, site, settings):
            write(f"{address}\t{problem or 'calculated'}\n")


@application.command("replay")
def replay_shifts(site: OfSite, since: Since = None, until: Until = None) -> None:
    """
    Calculate kept balances again, and tell what this version would change; nothing is stored.

    Exit status 1 if any figure changed by more than rounding.
    """
    from service.shifts.replay import CHANGED, replayed

    counts: dict[str, int] = {}
    with kept() as (store, settings):
        for one in replayed(store, site, _between(since, until), settings):
            counts[one.verdict] = counts.get(one.verdict, 0) + 1
            write(f"{one.place.address}\t{one.revision}\t{one.standing}\t{one.verdict}\n")
            write("".join(f"  {statement}\n" for statement in one.statements))
    write(", ".join(f"{count} {verdict}" for verdict, count in counts.items()) + "\n")
    if CHANGED in counts:
        raise typer.Exit(NO_BALANCE)


@application.command("trail")
def print_trail(site: OfSite) -> None:
    """
    Print what persons decided and signed, and check the chain of the trail.

    Exit status 1 if it is broken, with a line for each place.
    """
    from service.shifts.service import broken_links, whole_trail

    with kept() as (store, _):
        for entry in whole_trail(store, site):
            cells = (entry["number"], entry["at"], entry["kind"], entry["person"], entry["reason"])
            write("\t".join(map(str, cells)) + "\n")
        broken = broken_links(store, site)
    for sentence in broken:
        complain(sentence)
    if broken:
        raise typer.Exit(NO_BALANCE)
