"""What one revision of a test has otherwise than another, in the words of the sheet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from service.shifts.differences import MOST_TOLD, NEGLIGIBLE_SD, figure_changes, statement
from service.tests.schemas import TestSheet
from service.tests.spreadsheet.fill import normal_form

_CALLED = {"passes": "pass", "products": "tray", "heads": "head", "components": "component"}
_SILENT = frozenset({"value", "products", "assays"})
"""Members that go without saying."""


def difference(
    since: int, before: dict[str, Any], revision: int, after: dict[str, Any]
) -> dict[str, Any]:
    """Give what a record has otherwise than an earlier one."""
    entries = list(_entries(before["sheet"]["document"], after["sheet"]["document"]))
    figures = figure_changes(_as_of_a_shift(before), _as_of_a_shift(after))
    statements = [f"{e['entry']}: {_shown(e['before'])} -> {_shown(e['after'])}." for e in entries]
    changed = sorted(n for n in after["engine"] if before["engine"].get(n) != after["engine"][n])
    if changed:
        statements.append(f"It was calculated by another build ({', '.join(changed)}).")
    told = [f for f in figures if f["in_sd"] is None or abs(f["in_sd"]) >= NEGLIGIBLE_SD]
    statements += [statement(figure) for figure in told[:MOST_TOLD]]
    if len(told) > MOST_TOLD:
        statements.append(f"{len(told) - MOST_TOLD} further figures changed by less.")
    return {
        "since": since,
        "revision": revision,
        "statements": statements or ["No entry and no figure changed."],
        "entries": entries,
        "figures": figures,
    }


def _as_of_a_shift(record: dict[str, Any]) -> dict[str, Any]:
    """Give a record as the comparison of figures takes it; a test has no periods."""
    return {"shift": {"key": None}, "result": record["result"]}


def _entries(before: dict[str, Any], after: dict[str, Any]) -> Iterator[dict[str, Any]]:
    old, new = (dict(_leaves(_normal(document), ())) for document in (before, after))
    for name in dict.fromkeys([*old, *new]):
        if old.get(name) != new.get(name):
            said = ", ".join(name)
            yield {
                "entry": said[:1].upper() + said[1:],
                "before": old.get(name),
                "after": new.get(name),
            }


def _normal(document: dict[str, Any]) -> dict[str, Any]:
    return normal_form(TestSheet.model_validate(document))


def _leaves(value: Any, named: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:  # noqa: ANN401
    """Give everything on a sheet by its name in words; what has a name is known by it."""
    if isinstance(value, dict):
        for member, held in value.items():
            if member == "name" and named:
                continue
            if isinstance(held, list) and held and all(isinstance(one, dict) for one in held):
                for i, one in enumerate(held):
                    yield from _leaves(one, (*named, _name_of(member, i, one)))
            else:
                inner = named if member in _SILENT else (*named, member.replace("_", " "))
                yield from _leaves(held, inner)
    else:
        yield named, value


def _name_of(member: str, i: int, entry: dict[str, Any]) -> str:
    word = _CALLED.get(member, member.replace("_", " "))
    counted = f"{word} {i + 1}"
    # A pass without a name is called after its place, and quoting that would say it twice.
    name = entry.get("name", counted)
    return counted if name == counted else f"{word} '{name}'"


def _shown(value: Any) -> str:  # noqa: ANN401 - any JSON value
    if value is None:
        return "nothing"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
