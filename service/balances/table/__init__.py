"""A balance as plain text that a metallurgist reads at a glance."""

from __future__ import annotations

from service.balances.reply import BalanceReply
from service.kit.plain_table import paragraph, visible
from service.report.document import Table
from service.report.plain import lines

from . import checks, errors, evidence, performance, streams


def _head(reply: BalanceReply) -> list[str]:
    lines = paragraph(reply.title) if reply.title else []
    if reply.note:
        lines += paragraph(reply.note)
    return [*lines, f"Outcome: {reply.outcome}."]


def _sentences(sentences: list[str], lead: str = "", hanging: str = "  ") -> list[str]:
    return [line for sentence in sentences for line in paragraph(f"{lead}{sentence}", hanging)]


def _tables(*tables: Table | None) -> list[list[str]]:
    return [lines(table) for table in tables if table is not None]


def _performances(reply: BalanceReply) -> list[list[str]]:
    return [
        section
        for series in reply.performance
        for section in (
            [*paragraph(performance.heading(series)), *lines(performance.yields(series)[0])],
            *_tables(*performance.yields(series)[1:], *performance.separations(series)),
            _sentences(performance.sentences(series)),
        )
    ]


def _listed(heading: str, sentences: list[str]) -> list[str]:
    return [heading, *_sentences(sentences, "- ")] if sentences else []


def as_text(reply: BalanceReply) -> str:
    """
    Give the balance as text no wider than 100 columns, except for a single word that is.

    Values are reconciled ones with their standard deviations, rounded to two digits of these.
    What a request does not follow has no section.
    """
    sections = [
        _head(reply),
        lines(streams.masses(reply)),
        *_tables(streams.waters(reply), streams.stocks(reply)),
        *_tables(streams.assays(reply), streams.analytes(reply), *streams.sizes(reply)),
        *_tables(*errors.counts(reply), streams.recoveries(reply)),
        *_tables(*streams.recoveries_by_size(reply)),
        *_performances(reply),
        _sentences(errors.limits(reply)),
        *_tables(errors.contents(reply)),
        _sentences(reply.statements),
        [
            *_sentences(streams.legend(reply), hanging=""),
            *_sentences(checks.closure(reply)),
            *_sentences(checks.test(reply)),
            *_sentences(evidence.nothing(reply)),
            *_sentences(checks.bounds(reply)),
            *_sentences(checks.largest(reply)),
            *_sentences(checks.discounted(reply)),
            *_sentences(checks.unchecked(reply)),
            *_sentences(checks.remedies(reply)),
        ],
        _sentences(evidence.findings(reply)),
        _listed("Shared errors:", errors.shared(reply)),
        _listed("Standard deviations:", errors.sources(reply)),
        _sentences(reply.warnings, "Warning: "),
        _listed("Care:", performance.care(reply)),
        [visible(reply.notice)],
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"
