"""
Replay: kept balances calculated again, and what would come out otherwise now.

On the same build and machine the same bytes come out.  Elsewhere they may differ by rounding: no
figure by more than :data:`~service.shifts.differences.NEGLIGIBLE_SD` of its standard deviation.
Nothing is stored, and nothing that is signed ever changes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.kit.paging import Paging
from service.kit.problems import RefusalError
from service.kit.records import canonical
from service.kit.settings import Settings
from service.sites import repository as sites
from service.store import Store

from . import repository
from .decisions import document_of
from .differences import NEGLIGIBLE_SD, figure_changes, statement
from .place import Place
from .record import calculated_anew
from .repository import Filters, Head

NEGLIGIBLE_SHARE = 1e-9
"""The same for figures that have no standard deviation: the tolerance to which balances close."""

IDENTICAL, ALIKE, CHANGED = "identical", "alike", "changed"


@dataclass(frozen=True, slots=True)
class Replayed:
    """
    What replay says of a revision.

    ``verdict`` is 'identical' (the same bytes), 'alike' (within the stated tolerance) or 'changed';
    ``statements`` tell what changed.
    """

    place: Place
    revision: int
    standing: str
    verdict: str
    statements: tuple[str, ...] = ()


def replayed(store: Store, site: str, filters: Filters, settings: Settings) -> Iterator[Replayed]:
    """
    Calculate the balances that count again, in the order of their shifts.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    paging = Paging()
    while True:
        with store.reading() as connection:
            site_id = sites.get(connection, site).id
            found, page = repository.page(connection, site_id, filters, paging)
        for head, brief in found:
            if brief is not None:
                yield _replayed(store, site, head, settings)
        if page.next_after is None:
            return
        paging = Paging(after=page.next_after)


def _replayed(store: Store, site: str, head: Head, settings: Settings) -> Replayed:
    with store.reading() as connection:
        kept = repository.revision(connection, head.id, head.shown)
    if kept is None:
        raise LookupError(f"revision {head.shown} of balance {head.id} is gone")
    place = Place(site, head.flowsheet, head.day, head.shift)
    standing = head.standing_of(kept.revision)
    try:
        anew = calculated_anew(kept.record.encode(), settings).decode()
    except RefusalError as refusal:
        detail = f"No balance now: {refusal.problem.detail}"
        return Replayed(place, kept.revision, standing, CHANGED, (detail,))
    verdict, statements = compared(document_of(kept.record), document_of(anew))
    return Replayed(place, kept.revision, standing, verdict, statements)


def compared(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, tuple[str, ...]]:
    """Give the verdict on two records of one revision, and what changed."""
    if canonical(before["result"]) == canonical(after["result"]):
        return IDENTICAL, ()
    changed = [change for change in figure_changes(before, after) if not _is_negligible(change)]
    if before["result"]["outcome"] != after["result"]["outcome"]:
        outcome = f"Outcome: {before['result']['outcome']} -> {after['result']['outcome']}."
        return CHANGED, (outcome, *map(statement, changed))
    return (CHANGED, tuple(map(statement, changed))) if changed else (ALIKE, ())


def _is_negligible(change: dict[str, Any]) -> bool:
    was, is_ = change["before"], change["after"]
    if was is None or is_ is None:
        return was is is_
    room = max(NEGLIGIBLE_SD * (change["before_sd"] or 0.0), NEGLIGIBLE_SHARE * abs(was))
    return bool(abs(is_ - was) <= room)
