"""The laboratory's question: which results of a batch disagree, and what to assay again first."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from service.balances.schemas import EvidenceObject
from service.kit.body import Sent
from service.kit.settings import Settings
from service.readings import repository as readings
from service.readings.formats import lines_of
from service.readings.posting import Judged, judged
from service.sites import repository as sites
from service.store import Store

from . import repository
from .repository import Found

LEVEL: float = EvidenceObject().level
"""Level of the tests by which a result disagrees: that of every balance of a shift."""

COLUMNS = (
    *("line", "priority", "disagrees", "what", "shift", "flowsheet", "revision", "of", "streams"),
    *("unit", "value", "sd", "reconciled", "off_by", "off_by_sd", "statistic", "adjusted"),
    *("probability", "reading"),
)


def of_batch(
    store: Store, site: str, batch: Sent, source: str | None, settings: Settings
) -> list[dict[str, Any]]:
    """
    Give for each line of a batch what the balances that count say of it; nothing is stored.

    Raises
    ------
    RefusalError
        where the batch cannot be taken apart, or there is no such site.
    """
    lines = [judged(line, source) for line in lines_of(batch, settings.reading_limit)]
    identities = dict.fromkeys(one.identity for one in lines if one.reading is not None)
    with store.reading() as connection:
        of = sites.get(connection, site)
        known = readings.known(connection, of.id, identities)
        found = repository.where_used(connection, of.id, {k.id for k in known.values()})
    by_reading: dict[UUID, list[Found]] = {}
    for one in found:
        by_reading.setdefault(one.reading_id, []).append(one)
    told = [entry for one in lines for entry in _of_line(one, known, by_reading)]
    for place, entry in enumerate(sorted(filter(_is_off, told), key=_order), 1):
        entry["priority"] = place
    return told


def _is_off(entry: dict[str, Any]) -> bool:
    return bool(entry["disagrees"])


def _order(entry: dict[str, Any]) -> tuple[float, float]:
    """Give the order of a second assay: what is most probably wrong first, then by size."""
    return (-(entry["probability"] or 0.0), -abs(entry["statistic"] or 0.0))


def _of_line(
    one: Judged,
    known: dict[readings.Identity, readings.Known],
    by_reading: dict[UUID, list[Found]],
) -> list[dict[str, Any]]:
    if one.reading is None:
        return [_entry(one, None, "The line cannot be read; post it to see why.")]
    stored = known.get(one.identity)
    if stored is None:
        return [_entry(one, None, "It is not stored.")]
    places = by_reading.get(stored.id, [])
    if not places:
        return [_entry(one, stored.id, "No balance holds it yet.")]
    return [_judged_in(one, place) for place in places]


def _entry(one: Judged, reading: UUID | None, what: str) -> dict[str, Any]:
    absent = dict.fromkeys(COLUMNS)
    named = {"line": one.line.number, "reading": str(reading) if reading else None}
    return {**absent, **named, "what": what, "streams": []}


def _judged_in(one: Judged, place: Found) -> dict[str, Any]:
    """Tell what one balance says of one line."""
    head, body = place.head, place.body
    where = {
        "shift": f"{head.day.isoformat()}/{head.shift}",
        "flowsheet": head.flowsheet,
        "revision": place.revision,
    }
    if body is None:
        return _entry(one, place.reading_id, "The balance does not use it.") | where
    test = body["test"] or {}
    is_off = _disagrees(test) if test else None
    figures = {name: body[name] for name in ("of", "streams", "unit", "value", "sd", "reconciled")}
    return (
        _entry(one, place.reading_id, _what(body, test, is_off, one.version != place.version))
        | where
        | figures
        | {
            "disagrees": is_off,
            "off_by": test.get("size"),
            "off_by_sd": test.get("sd"),
            "statistic": test.get("statistic"),
            "adjusted": test.get("adjusted"),
            "probability": test.get("probability"),
        }
    )


def _disagrees(test: dict[str, Any]) -> bool:
    return test["statement"] is not None or (test["adjusted"] or 1.0) <= LEVEL


def _what(body: dict[str, Any], test: dict[str, Any], is_off: bool | None, other: bool) -> str:
    version = " The balance holds another version of it." if other else ""
    if is_off is None:
        said = (
            "Nothing checks it." if body["class"] == "nonredundant" else "There is no test of it."
        )
    elif test["statement"] is not None:
        said = str(test["statement"])
    else:
        said = "It disagrees with the balance." if is_off else "It agrees with the balance."
    several = len(body["sources"]) > 1
    return said + (" It counts with others as one reading." if several else "") + version
