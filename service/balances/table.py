"""A balance as plain text that a metallurgist reads at a glance."""

from __future__ import annotations

from reconcile import Knowledge
from service.kit.figures import plain, plus_minus, signed
from service.kit.plain_table import Column, paragraph, table, visible

from .reply import BalanceReply, Quantity, Share, StreamBalance

LIKELY = 0.05
"""A p-value below this is worth a word; the usual level of tests in the trade."""

_MOST_ADJUSTMENTS = 3
_MOST_UNCHECKED = 12

_WORDS = {Knowledge.UNOBSERVABLE: "unknown", Knowledge.UNDEFINED: "undefined"}

_BRACKETS = "In brackets: not read, follows from the balance."
_UNKNOWN = "Unknown: not read, and the readings do not determine it."
_UNDEFINED = "Undefined: a ratio over a stream or feed of zero."


def _shown(value: float | None, sd: float | None, class_: Knowledge) -> str:
    return _WORDS.get(class_, "unknown") if value is None else plus_minus(value, sd)


def _share(share: Share) -> str:
    return _shown(share.value, share.sd, share.class_)


def _read(quantity: Quantity) -> str:
    if quantity.reading is None:
        return "not read"
    if quantity.reading_sd == 0:
        return f"{plain(quantity.reading)} fixed"
    return plus_minus(quantity.reading, quantity.reading_sd)


def _sds(standardised: float) -> str:
    return f"{signed(standardised, 1.0)} sd"


def _adjustment(quantity: Quantity) -> str:
    if quantity.reading is None or quantity.reading_sd == 0 or quantity.adjustment is None:
        return ""
    if quantity.class_ is Knowledge.NONREDUNDANT:
        return "unchecked"
    if not quantity.standardised:
        return signed(quantity.adjustment, quantity.reading_sd)
    own_sd = abs(quantity.adjustment / quantity.standardised)
    return f"{signed(quantity.adjustment, own_sd)} ({_sds(quantity.standardised)})"


def _assay(quantity: Quantity) -> str:
    shown = _shown(quantity.value, quantity.sd, quantity.class_)
    return f"({shown})" if quantity.reading is None and quantity.value is not None else shown


def _masses(reply: BalanceReply) -> list[str]:
    streams = reply.streams
    unit = streams[0].mass.unit
    heading = f"Mass, {unit}" if unit else "Mass"
    return table(
        [stream.name for stream in streams],
        [
            Column("read", [_read(s.mass) for s in streams]),
            Column("reconciled", [_shown(s.mass.value, s.mass.sd, s.mass.class_) for s in streams]),
            Column("adjustment", [_adjustment(s.mass) for s in streams]),
            Column("yield, %", [_share(s.yield_) for s in streams]),
        ],
        heading,
    )


def _assays(reply: BalanceReply) -> list[str]:
    streams = reply.streams
    columns = [
        Column(f"{assay.component}, {assay.unit}", [_assay(s.assays[k]) for s in streams])
        for k, assay in enumerate(streams[0].assays)
    ]
    return table([s.name for s in streams], columns, "Assays") if columns else []


def _recoveries(reply: BalanceReply) -> list[str]:
    if not reply.recoveries or not reply.recoveries[0].products:
        return []
    return table(
        [share.product for share in reply.recoveries[0].products],
        [Column(r.component, [_share(p) for p in r.products]) for r in reply.recoveries],
        "Recovery, %",
    )


def _legend(streams: list[StreamBalance]) -> list[str]:
    """Explain the brackets and words that the tables use, and only those."""
    assays = [assay for stream in streams for assay in stream.assays]
    classes = {stream.mass.class_ for stream in streams} | {assay.class_ for assay in assays}
    used = (
        (any(a.reading is None and a.value is not None for a in assays), _BRACKETS),
        (Knowledge.UNOBSERVABLE in classes, _UNKNOWN),
        (Knowledge.UNDEFINED in classes, _UNDEFINED),
    )
    said = [sentence for is_used, sentence in used if is_used]
    return paragraph(" ".join(said)) if said else []


def _all_read(streams: list[StreamBalance]) -> list[tuple[str, Quantity, str]]:
    read: list[tuple[str, Quantity, str]] = []
    for stream in streams:
        if stream.mass.reading is not None:
            read.append((f"mass of '{stream.name}'", stream.mass, stream.mass.unit or ""))
        read += [
            (f"{assay.component} of '{stream.name}'", assay, assay.unit)
            for assay in stream.assays
            if assay.reading is not None
        ]
    return read


def _largest(reply: BalanceReply) -> list[str]:
    moved = [
        (abs(quantity.standardised), name, quantity, unit)
        for name, quantity, unit in _all_read(reply.streams)
        if quantity.standardised is not None
    ]
    moved.sort(key=lambda item: (-item[0], item[1]))
    told = [
        f"{name} {plain(quantity.reading or 0)} to {plus_minus(quantity.value or 0, quantity.sd)}"
        f"{f' {unit}' if unit else ''} ({_sds(quantity.standardised or 0)})"
        for _, name, quantity, unit in moved[:_MOST_ADJUSTMENTS]
    ]
    if not told:
        return []
    return paragraph(
        f"Largest adjustments, in their own standard deviations: {'; '.join(told)}.", "  "
    )


def _unchecked(reply: BalanceReply) -> list[str]:
    names = [
        name
        for name, quantity, _ in _all_read(reply.streams)
        if quantity.class_ is Knowledge.NONREDUNDANT
    ]
    if not names:
        return []
    rest = len(names) - _MOST_UNCHECKED
    more = f" and {rest} more" if rest > 0 else ""
    listed = ", ".join(names[:_MOST_UNCHECKED])
    return paragraph(f"Checked by nothing, so a slip would not show: {listed}{more}.", "  ")


def _test(reply: BalanceReply) -> list[str]:
    test = reply.test
    if test is None or test.degrees_of_freedom == 0:
        return ["Nothing checks the readings against each other, so there is no test."]
    figures = (
        f"statistic {test.statistic:.4g}, {test.degrees_of_freedom} degrees of freedom, "
        f"reference: {test.reference}"
    )
    if test.p_value is None:
        return paragraph(f"Test of all adjustments together: {figures}.", "  ")
    if test.p_value < LIKELY:
        said = "The adjustments are larger than the stated errors allow"
    elif test.p_value > 1 - LIKELY:
        said = "The adjustments are smaller than the stated errors let expect"
    else:
        said = "The adjustments are as large as the stated errors let expect"
    return paragraph(f"{said}: p = {test.p_value:.2g}; {figures}.", "  ")


def _closure(reply: BalanceReply) -> list[str]:
    worst = max(reply.closure.worst, key=lambda w: w.relative, default=None)
    if worst is None:
        return []
    return paragraph(
        f"Every quantity closes to {reply.closure.tolerance:.0e} of its throughput or better; "
        f"worst is {worst.of} at '{worst.node}', {worst.relative:.1e}.",
        "  ",
    )


def _bounds(reply: BalanceReply) -> list[str]:
    held = {"zero": "is held at zero", "whole": "is held at the whole of the solids"}
    told = [f"{b.of} of '{b.stream}' {held.get(b.bound, b.bound)}" for b in reply.active_bounds]
    return paragraph(f"Active bounds: {'; '.join(told)}.", "  ") if told else []


def _head(reply: BalanceReply) -> list[str]:
    lines = paragraph(reply.title) if reply.title else []
    if reply.note:
        lines += paragraph(reply.note)
    return [*lines, f"Outcome: {reply.outcome}."]


def _warnings(reply: BalanceReply) -> list[str]:
    return [line for warning in reply.warnings for line in paragraph(f"Warning: {warning}", "  ")]


def as_text(reply: BalanceReply) -> str:
    """
    Give the balance as text no wider than 100 columns, except for a single word that is.

    Values are reconciled ones with their standard deviations, rounded to two digits of these.
    """
    sections = [
        _head(reply),
        _masses(reply),
        _assays(reply),
        _recoveries(reply),
        [
            *_legend(reply.streams),
            *_closure(reply),
            *_test(reply),
            *_bounds(reply),
            *_largest(reply),
            *_unchecked(reply),
        ],
        _warnings(reply),
        [visible(reply.notice)],
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"
