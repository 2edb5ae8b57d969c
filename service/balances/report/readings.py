"""Readings: against what came out, how far each was moved, and the list of them all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from service.balances.reply import BalanceReply, ReadingResult
from service.balances.table.cells import what
from service.balances.table.streams import tabled
from service.report.document import Block, Cell, Change, Chart, Column, Paragraph, Value
from service.report.drawings import Bar, Bars, Ink

from .grades import COVERAGE

MOST_CHARTS = 12
"""Charts of readings; the list of readings holds all of them."""

MOST_ROWS = 30
"""Rows of one chart, so that it fits on a sheet of paper."""

_MOST_ADJUSTMENTS = 24
_SIGNS = {"below": "<", "above": ">"}


def where(reading: ReadingResult) -> str:
    """Say where a reading was taken, without what it was of."""
    return what(reading).removeprefix(f"{reading.of} of ").replace("'", "")


def _compared(reply: BalanceReply) -> dict[str, list[ReadingResult]]:
    """Give by what they are of the readings that have an error and count."""
    found: dict[str, list[ReadingResult]] = defaultdict(list)
    for reading in reply.readings:
        if reading.adjustment is not None and reading.sd and reading.left_out is None:
            found[reading.of].append(reading)
    return found


def against(reply: BalanceReply) -> tuple[Block, ...]:
    """Give for each quantity a chart of the readings against the values that came out."""
    charts = [chart for of, alike in _compared(reply).items() for chart in _charts(of, alike)]
    if not charts:
        return ()
    said = (
        "A ring is what was read, a dot what came out; the bars reach two standard deviations "
        "either way. All is in standard deviations of the reading, so rings stand one below the "
        "other. Where a dot's bar is shorter than its ring's, the other readings helped."
    )
    if len(charts) > MOST_CHARTS:
        said += f" Of {len(charts)} charts the first {MOST_CHARTS} are drawn."
    return (Paragraph(said), *charts[:MOST_CHARTS])


def _charts(of: str, readings: list[ReadingResult]) -> Iterator[Chart]:
    parts = range(0, len(readings), MOST_ROWS)
    for k, start in enumerate(parts):
        part = readings[start : start + MOST_ROWS]
        caption = f"{of}, {k + 1} of {len(parts)}" if len(parts) > 1 else of
        yield Chart(
            caption=f"{caption}, {part[0].unit}: read (ring) and reconciled (dot)",
            alternative=f"{len(part)} readings of {of}. Their figures stand under every reading.",
            drawing=Bars("standard deviations of the reading", tuple(map(_row, part))),
        )


def _row(reading: ReadingResult) -> tuple[str, tuple[Bar, ...]]:
    sd = reading.sd or 1.0
    moved, error = reading.adjustment or 0.0, reading.reconciled_sd or 0.0
    return f"{where(reading)}: {Value(reading.value, reading.sd).text}", (
        Bar(Ink.READ, 0.0, COVERAGE),
        Bar(Ink.RECONCILED, moved / sd, COVERAGE * error / sd),
    )


def adjustments(reply: BalanceReply) -> tuple[Block, ...]:
    """Give the adjustments in their own standard deviations, the largest first."""
    moved = [r for r in reply.readings if r.standardised is not None]
    moved.sort(key=lambda r: -abs(r.standardised or 0.0))
    if not moved:
        return ()
    shown = moved[:_MOST_ADJUSTMENTS]
    family = reply.evidence.readings if reply.evidence else None
    lines = [(0.0, "")]
    said = (
        "Each adjustment is divided by its own standard deviation, so that nineteen in twenty lie "
        "within two either way if the stated errors are right."
    )
    if family is not None:
        lines += [(side * family.alone, f"{side * family.alone:+.2f}") for side in (-1, 1)]
        if family.critical is not None:
            lines += [(s * family.critical, f"{s * family.critical:+.2f}") for s in (-1, 1)]
            said += (
                f" Dashed lines: {family.alone:.2f}, beyond which one reading looked at alone "
                f"would stand out, and {family.critical:.2f}, beyond which one of all "
                f"{family.count} does."
            )
    rest = len(moved) - len(shown)
    if rest:
        said += (
            f" The {len(shown)} largest are drawn; the other {rest} are smaller than "
            f"{abs(shown[-1].standardised or 0.0):.2g}."
        )
    chart = Chart(
        caption="Adjustments in their own standard deviations",
        alternative=f"{len(shown)} readings, the largest adjustment first: {what(shown[0])}, "
        f"{shown[0].standardised:+.1f}. Their figures stand under every reading.",
        drawing=Bars(
            "adjustment in its own sd",
            tuple(
                (what(r).replace("'", ""), (Bar(Ink.RECONCILED, r.standardised or 0.0),))
                for r in shown
            ),
            tuple(lines),
            from_zero=True,
        ),
    )
    return (Paragraph(said), chart)


def every(reply: BalanceReply) -> tuple[Block, ...]:
    """Give the list of all readings."""
    readings = reply.readings
    if not readings:
        return ()
    table = tabled(
        "Readings in the order in which they were given",
        "Reading",
        [what(r).replace("'", "") for r in readings],
        [
            (Column("unit"), [r.unit for r in readings]),
            (Column("read"), [_read(r) for r in readings]),
            (Column("reconciled"), [_reconciled(r) for r in readings]),
            (Column("adjustment"), [_moved(r) for r in readings]),
            (Column("in its own sd", ""), [_standardised(r) for r in readings]),
            (Column("its error"), [r.sd_from for r in readings]),
        ],
        units=[r.unit for r in readings],
    )
    return (table,)


def _read(reading: ReadingResult) -> Cell:
    if reading.value is None:
        return "counted" if reading.counts else "no value"
    if reading.limit is not None:
        return f"{_SIGNS[reading.limit]} {Value(reading.value).text}"
    return Value(reading.value, reading.sd, "fixed" if reading.sd == 0 else "")


def _reconciled(reading: ReadingResult) -> Value:
    return Value(reading.reconciled, reading.reconciled_sd, _none(reading))


def _none(reading: ReadingResult) -> str:
    return "unknown" if reading.reconciled is None and not reading.counts else ""


def _moved(reading: ReadingResult) -> Cell:
    if reading.left_out is not None:
        return f"left out: {reading.left_out}"
    if reading.adjustment is None or reading.sd == 0:
        return ""
    return Change(reading.adjustment, reading.sd)


def _standardised(reading: ReadingResult) -> Cell:
    if reading.standardised is not None:
        return Change(reading.standardised, 1.0)
    return "unchecked" if reading.adjustment is not None and reading.sd else ""
