"""A test as plain text: what each pass took and made, then the balance."""

from __future__ import annotations

from service.balances.table import as_text as balance_as_text
from service.balances.table.cells import value_of
from service.balances.table.streams import tabled
from service.kit.plain_table import paragraph
from service.report import plain
from service.report.document import Column, Table

from .reply import PassResult, TestReply


def _setting(name: str, value: object) -> str:
    words = name.replace("_", " ")
    if not isinstance(value, dict):
        return str(value)
    return f"{words} {value['value']:g} {value['unit']}"


def settings_of(run: PassResult) -> str:
    """Give how a pass was set, in words."""
    given = run.settings.model_dump(exclude_none=True)
    return ", ".join(_setting(name, value) for name, value in given.items())


def _title(i: int, run: PassResult) -> str:
    """Name a pass by its number, and by its name where that says more."""
    plain = f"Pass {i}"
    return plain if run.name.casefold() == plain.casefold() else f"{plain}: {run.name}"


def headline(i: int, run: PassResult) -> str:
    """Say which pass it is, what was done, and to what."""
    fed = ", ".join(f"a part of {f.lot}" if f.role == "part" else f.stream for f in run.fed)
    kind = "" if run.kind == "other" else f" ({run.kind})"
    return f"{_title(i, run)}{kind}, fed with {fed}."


def trays(run: PassResult) -> Table:
    """Give what a pass made."""
    return tabled(
        f"{run.name}: what it made",
        "Tray",
        [product.lot for product in run.products],
        [
            (
                Column("mass", run.products[0].mass.unit or "relative"),
                [value_of(p.mass) for p in run.products],
            ),
            (Column("of feed", "%"), [value_of(p.of_feed) for p in run.products]),
        ],
    )


def _pass(i: int, run: PassResult) -> list[str]:
    """Give one pass: how it was set, what it took and made, how it closed as read."""
    lines = paragraph(headline(i, run), "  ")
    told = settings_of(run)
    lines += paragraph(f"Set: {told}.", "  ") if told else []
    lines += plain.lines(trays(run))
    for closure in run.closure:
        lines += paragraph(f"As read: {closure.statement}", "  ")
    return lines


def as_text(reply: TestReply) -> str:
    """Give the test as text no wider than 100 columns, except for a single word that is."""
    passes = ["\n".join(_pass(i, run)) for i, run in enumerate(reply.passes, 1)]
    head, gap, rest = balance_as_text(reply).partition("\n\n")
    return head + gap + "\n\n".join(passes) + gap + rest
