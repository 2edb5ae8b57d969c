"""Making, listing, revoking and recognising keys."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from service.kit.caller import Caller, Scope
from service.kit.instants import now
from service.store import Store

from . import repository
from .keys import is_same, new_key, prefix_of
from .repository import Key


class UnusableKeyError(ValueError):
    """What was asked of a key cannot be done; the message says why and what to do."""


def create(
    store: Store,
    name: str,
    scopes: Iterable[Scope],
    site: str | None = None,
    days: float | None = None,
) -> str:
    """
    Make a key and give it, for the first and last time.

    Parameters
    ----------
    store
        where it is kept.
    name
        whose it is; it stands in lists and in the trail of what was signed.
    scopes
        what it opens.
    site
        the one site that it opens; every site if not given.
    days
        for how long it holds; for good if not given.

    Raises
    ------
    UnusableKeyError
        without a name or a scope, for a site that is not there, and for a time that is over.
    """
    wanted = frozenset(scopes)
    if not name.strip():
        raise UnusableKeyError("a key needs a name: say whose it is")
    if not wanted:
        raise UnusableKeyError(f"a key needs a scope: one or more of {', '.join(Scope)}")
    if days is not None and days <= 0:
        raise UnusableKeyError("a key has to hold for more than no time")
    made = new_key()
    until = None if days is None else now() + timedelta(days=days)
    with store.writing() as connection:
        of = None if site is None else repository.site_id(connection, site)
        if site is not None and of is None:
            raise UnusableKeyError(
                f"there is no site '{site}'; make it first, with a key for every site"
            )
        repository.add(connection, made, name.strip(), of, wanted, until)
    return made.text


def listed(store: Store) -> list[Key]:
    """Give all keys that were ever made; none of them can be shown again."""
    with store.reading() as connection:
        return repository.every(connection)


def revoke(store: Store, prefix: str) -> Key:
    """
    Let a key open nothing from now on.

    Raises
    ------
    UnusableKeyError
        where no key has this prefix.
    """
    with store.writing() as connection:
        found = repository.find(connection, prefix_of(prefix) or prefix)
        if found is None:
            raise UnusableKeyError(f"no key begins with '{prefix}'; 'evenlode keys list' has all")
        repository.revoke(connection, found.prefix)
    return found


def recognised(store: Store, text: str) -> Caller | None:
    """Give the caller whose key this is; None for one that is none, or holds no longer."""
    prefix = prefix_of(text)
    if prefix is None:
        return None
    with store.reading() as connection:
        key = repository.find(connection, prefix)
    # Compared in any case, so that time does not tell whether the prefix is known.
    same = is_same(text, key.digest if key is not None else "")
    if key is None or not same or not key.holds(now()):
        return None
    return Caller(str(key.id), key.name, key.site, key.scopes)


def was_any_made(store: Store) -> bool:
    """Say whether a key was ever made."""
    with store.reading() as connection:
        return repository.was_any_made(connection)


def does_any_hold(store: Store, at: datetime | None = None) -> bool:
    """Say whether there is a key that opens anything."""
    with store.reading() as connection:
        return any(key.holds(at or now()) for key in repository.every(connection))
