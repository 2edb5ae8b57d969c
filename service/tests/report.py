"""The report of a test: that of its balance, with the passes in the words of the sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from service.balances import kept
from service.balances.report import document_of as document_of_balance
from service.balances.table.cells import value_of
from service.balances.table.streams import tabled
from service.report.document import Block, Column, Document, Items, Paragraph, Section

from .reply import PassFed, PassResult, TestReply
from .table import settings_of

TITLE = "Report of a laboratory test"
"""The title of a report whose sheet has none."""

_BEHIND = "flow"
_FACTS = {
    "client": "Client",
    "received": "Received",
    "tested": "Tested",
    "by": "Tested by",
    "note": "Sample",
}


def document_of(reply: TestReply) -> Document:
    """Give the report of a test."""
    whole = document_of_balance(reply)
    passes = Section("passes", "The passes", tuple(b for run in reply.passes for b in _pass(run)))
    return replace(
        whole,
        title=reply.title or TITLE,
        facts=_facts(reply),
        sections=tuple(
            section
            for one in whole.sections
            for section in ((one, passes) if one.key == _BEHIND else (one,))
        ),
    )


def reply_of(document: Any) -> TestReply:  # noqa: ANN401 - any JSON value
    """Give a reply that was kept as JSON; raises what :func:`kept.reply_of` raises."""
    return kept.reply_of(document, TestReply, {"pass": "run"})


def _facts(reply: TestReply) -> tuple[tuple[str, str], ...]:
    given = {} if reply.sample is None else reply.sample.model_dump()
    return tuple((words, given[name]) for name, words in _FACTS.items() if given.get(name))


def _pass(run: PassResult) -> tuple[Block, ...]:
    said = [f"{run.name}: {run.kind}, fed with {', '.join(map(_fed, run.fed))}."]
    told = settings_of(run)
    said += [f"Set: {told}."] if told else []
    said += [run.note] if run.note else []
    unit = run.products[0].mass.unit
    table = tabled(
        f"{run.name}: what it made",
        "Tray",
        [product.lot for product in run.products],
        [
            (Column("mass", unit), [value_of(p.mass) for p in run.products]),
            (Column("of what it took", "%"), [value_of(p.of_feed) for p in run.products]),
            (Column("note"), [p.note or "" for p in run.products]),
        ],
    )
    if not any(product.note for product in run.products):
        table = replace(
            table,
            columns=table.columns[:-1],
            rows=tuple(replace(row, cells=row.cells[:-1]) for row in table.rows),
        )
    closed = tuple(f"As read: {closure.statement}" for closure in run.closure)
    return (Paragraph(" ".join(said)), table, *((Items(closed),) if closed else ()))


def _fed(fed: PassFed) -> str:
    name = fed.lot or fed.stream
    return f"a part of {name}" if fed.role == "part" else name
