"""Reading and writing sites."""

from __future__ import annotations

import sqlalchemy as sa

from reconcile.faults import Fault
from service.kit.conditional import Precondition
from service.kit.identifiers import LONGEST_KEY, is_key
from service.kit.intake import read_request
from service.kit.paging import Page, Paging
from service.kit.problems import CHANGED_MEANWHILE, refuse, refuse_faulty
from service.store import Store

from . import repository
from .repository import Site
from .schemas import SiteObject, SiteReply


def reply_of(site: Site) -> SiteReply:
    """Give a site as it is told."""
    return SiteReply(
        key=site.key,
        name=site.body["name"],
        note=site.body.get("note"),
        revision=site.revision,
        created_at=site.created_at,
        changed_at=site.changed_at,
    )


def etag_of(site: Site) -> str:
    """Give the ETag of a site's present state."""
    return f'"{site.revision}"'


def check_key(key: str) -> None:
    """
    Hold the key of something new against what can stand in an address.

    Raises
    ------
    RefusalError
        422 where it cannot.
    """
    if not is_key(key):
        raise refuse_faulty(
            [
                Fault(
                    (),
                    "bad-key",
                    "The key in the address is none that can be given.",
                    f"Use at most {LONGEST_KEY} small letters, digits, '-', '_' and '.', of which "
                    "the first and the last are a letter or a digit.",
                )
            ]
        )


def put(store: Store, key: str, expected: Precondition, body: bytes) -> tuple[Site, bool]:
    """
    Make a site, or change it, and tell whether it is new.

    Raises
    ------
    RefusalError
        for a faulty request, or where the present state is not the expected one.
    """
    check_key(key)
    content = read_request(body, SiteObject, {}).model_dump(mode="json", exclude_unset=True)
    try:
        with store.writing() as connection:
            present = repository.find(connection, key, lock=True)
            expected.check(None if present is None else etag_of(present))
            return repository.keep(connection, key, content, present), present is None
    except sa.exc.IntegrityError:
        # Two made it at the same moment, where there was nothing yet that could be locked.
        raise refuse(CHANGED_MEANWHILE, "Another request has just made this site.") from None


def get(store: Store, key: str) -> Site:
    """
    Give a site.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    with store.reading() as connection:
        return repository.get(connection, key)


def listed(store: Store, paging: Paging, only: str | None = None) -> tuple[list[Site], Page]:
    """Give a page of sites; of one alone, where the caller may know of no other."""
    with store.reading() as connection:
        return repository.page(connection, paging, only)
