"""Commands about keys."""

from __future__ import annotations

from typing import Annotated

import typer

from .database import opened
from .terminal import settings_in_force, stop, write

application = typer.Typer(
    name="keys", help="Keys by which callers are known.", no_args_is_help=True
)


@application.command("create")
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
        stop(f"there is no scope '{strange[0]}'. Known: {', '.join(Scope)}.")
    with opened(settings_in_force()) as store:
        made = service.create(store, name, map(Scope, scope), site, days)
    write(f"{made}\n")


@application.command("list")
def list_keys() -> None:
    """Print all keys that were ever made: prefix, name, site, scopes, and until when each holds."""
    from service.access import service
    from service.kit.instants import now, written

    with opened(settings_in_force()) as store:
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
        write("\t".join((*cells, key.name)) + "\n")


@application.command("revoke")
def revoke_key(
    prefix: Annotated[str, typer.Argument(help="Its twelve digits, or the whole key.")],
) -> None:
    """Let a key open nothing from now on."""
    from service.access import service

    with opened(settings_in_force()) as store:
        found = service.revoke(store, prefix)
    write(f"{found.prefix} of '{found.name}' opens nothing from now on.\n")
