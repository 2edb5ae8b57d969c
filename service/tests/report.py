"""The report of a test: that of its balance, with the passes in the words of the sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from service.balances import kept
from service.balances.report import document_of as document_of_balance
from service.report.document import Block, Column, Document, Items, Paragraph, Section

from .reply import PassResult, TestReply
from .table import headline, settings_of, trays

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
    passes = Section(
        "passes",
        "The passes",
        tuple(b for i, run in enumerate(reply.passes, 1) for b in _pass(i, run)),
    )
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
    return kept.reply_of(document, TestReply)


def _facts(reply: TestReply) -> tuple[tuple[str, str], ...]:
    given = {} if reply.sample is None else reply.sample.model_dump()
    return tuple((words, given[name]) for name, words in _FACTS.items() if given.get(name))


def _pass(i: int, run: PassResult) -> tuple[Block, ...]:
    told = settings_of(run)
    said = [headline(i, run), f"Set: {told}." if told else "", run.note or ""]
    notes = [product.note or "" for product in run.products]
    table = trays(run)
    if any(notes):
        rows = zip(table.rows, notes, strict=True)
        table = replace(
            table,
            columns=(*table.columns, Column("note")),
            rows=tuple(replace(row, cells=(*row.cells, note)) for row, note in rows),
        )
    closed = tuple(f"As read: {closure.statement}" for closure in run.closure)
    return (Paragraph(" ".join(filter(None, said))), table, *((Items(closed),) if closed else ()))
