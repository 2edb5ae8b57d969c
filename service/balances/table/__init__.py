"""A balance as plain text that a metallurgist reads at a glance."""

from __future__ import annotations

from service.balances.reply import BalanceReply
from service.kit.plain_table import paragraph, visible

from . import checks, errors, evidence, performance, streams


def _head(reply: BalanceReply) -> list[str]:
    lines = paragraph(reply.title) if reply.title else []
    if reply.note:
        lines += paragraph(reply.note)
    return [*lines, f"Outcome: {reply.outcome}."]


def _sentences(sentences: list[str], lead: str = "") -> list[str]:
    return [line for sentence in sentences for line in paragraph(f"{lead}{sentence}", "  ")]


def as_text(reply: BalanceReply) -> str:
    """
    Give the balance as text no wider than 100 columns, except for a single word that is.

    Values are reconciled ones with their standard deviations, rounded to two digits of these.
    What a request does not follow has no section.
    """
    sections = [
        _head(reply),
        streams.masses(reply),
        streams.waters(reply),
        streams.stocks(reply),
        streams.assays(reply),
        streams.analytes(reply),
        *streams.sizes(reply),
        *errors.counts(reply),
        streams.recoveries(reply),
        *streams.recoveries_by_size(reply),
        *performance.performances(reply),
        errors.limits(reply),
        errors.contents(reply),
        _sentences(reply.statements),
        [
            *streams.legend(reply),
            *checks.closure(reply),
            *checks.test(reply),
            *evidence.nothing(reply),
            *checks.bounds(reply),
            *checks.largest(reply),
            *checks.discounted(reply),
            *checks.unchecked(reply),
            *checks.remedies(reply),
        ],
        evidence.findings(reply),
        errors.shared(reply),
        errors.sources(reply),
        _sentences(reply.warnings, "Warning: "),
        performance.care(reply),
        [visible(reply.notice)],
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"
