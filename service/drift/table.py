"""What a series shows as plain text: sentences first, then the instruments in a table."""

from __future__ import annotations

from service.kit.figures import plain
from service.kit.plain_table import Column, paragraph, table, visible

from .reply import DriftReply, InstrumentReport, SdCheck


def as_text(reply: DriftReply) -> str:
    """Give the reply as text no wider than 100 columns, except for a single word that is."""
    sections = [
        _head(reply),
        _sentences([bias.statement for bias in reply.biases]),
        _sentences([wrong.statement for wrong in reply.wrong_sds]),
        _sentences([slip.statement for slip in reply.slips]),
        _sentences([check.statement for check in reply.error_models]),
        _instruments(reply),
        _sentences(reply.statements),
        _sentences([f"{one.shift}: {one.reason}" for one in reply.left_out], "Left out: "),
        _sentences(reply.warnings, "Warning: "),
        paragraph(reply.notice),
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"


def _head(reply: DriftReply) -> list[str]:
    lines = paragraph(reply.title) if reply.title else []
    if reply.note:
        lines += paragraph(reply.note)
    return [*lines, f"Shifts: {reply.shifts} balanced, {len(reply.left_out)} left out."]


def _sentences(sentences: list[str], lead: str = "") -> list[str]:
    return [line for sentence in sentences for line in paragraph(f"{lead}{sentence}", "  ")]


def _instruments(reply: DriftReply) -> list[str]:
    reports = reply.instruments
    names = [visible(report.name) for report in reports]
    columns = [
        Column("shifts", [str(report.shifts) for report in reports]),
        Column("redundancy", [f"{report.redundancy:.2f}" for report in reports]),
        Column("chart", [_chart(report) for report in reports]),
        Column("shifts to tell of 1 sd", [_delay(report) for report in reports]),
        Column("sd over stated", [_ratio(report.sd) for report in reports]),
    ]
    limit = f"; limit of the charts {reply.charting.limit:.2f}" if reply.charting else ""
    return [f"Instruments{limit}", *table(names, columns)]


def _chart(report: InstrumentReport) -> str:
    return "none" if report.peak is None else f"up to {report.peak:.1f}"


def _delay(report: InstrumentReport) -> str:
    return "" if report.delay is None else plain(float(f"{report.delay:.2g}"))


def _ratio(check: SdCheck) -> str:
    if check.ratio is None:
        return check.verdict
    wrong = f", {check.verdict}" if check.verdict != "as stated" else ""
    return f"{check.ratio:.2f} ({check.low:.2f} to {check.high:.2f}){wrong}"
