"""The report of a balance: what it says, and the forms in which a caller can have it."""

from __future__ import annotations

from service.balances.reply import BalanceReply
from service.report.document import Document, Section, non_empty

from . import answer, care, findings, flows, grades, method, readings, separation, streams

TITLE = "Report of a balance"
"""The title of a report whose request has none."""


def sections_of(reply: BalanceReply) -> list[Section]:
    """Give the sections of the report of any balance, the empty ones as well."""
    return [
        Section("flow", "Where everything went", flows.blocks(reply)),
        Section("products", "The products", streams.products(reply)),
        Section("recoveries", "Where each component went", streams.recovered(reply)),
        Section("separation", "What was separated", separation.blocks(reply)),
        Section("grades", "Grade against recovery", grades.blocks(reply)),
        Section("against", "What was read against what came out", readings.against(reply)),
        Section("adjustments", "How far each reading was moved", readings.adjustments(reply)),
        Section("findings", "What was found", findings.blocks(reply)),
        Section("cautions", "What to mind", findings.cautions(reply)),
        Section("care", "Care", care.blocks(reply)),
        Section("streams", "Every stream", streams.every(reply)),
        Section("method", "How it was worked out", method.blocks(reply)),
        Section("readings", "Every reading", readings.every(reply)),
    ]


def document_of(reply: BalanceReply) -> Document:
    """Give the report of a balance."""
    return Document(
        title=reply.title or TITLE,
        note=reply.note or "",
        answer=answer.sentences(reply),
        sections=non_empty(sections_of(reply)),
        notice=reply.notice,
    )
