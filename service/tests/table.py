"""A test as plain text: what each pass took and made, then the balance."""

from __future__ import annotations

from service.balances.reply import Amount, Share
from service.balances.table import as_text as balance_as_text
from service.kit.figures import plus_minus
from service.kit.plain_table import Column, paragraph, table

from .reply import PassResult, TestReply


def _shown(of: Amount | Share) -> str:
    return "unknown" if of.value is None else plus_minus(of.value, of.sd)


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


def _pass(i: int, run: PassResult) -> list[str]:
    """Give one pass: how it was set, what it took and made, how it closed as read."""
    fed = ", ".join(f"a part of {f.lot}" if f.role == "part" else f.stream for f in run.fed)
    kind = "" if run.kind == "other" else f" ({run.kind})"
    lines = paragraph(f"{_title(i, run)}{kind}, fed with {fed}.", "  ")
    told = settings_of(run)
    lines += paragraph(f"Set: {told}.", "  ") if told else []
    lines += table(
        [product.lot for product in run.products],
        [
            Column(
                f"mass, {run.products[0].mass.unit or 'relative'}",
                [_shown(p.mass) for p in run.products],
            ),
            Column("of feed, %", [_shown(p.of_feed) for p in run.products]),
        ],
        "Tray",
    )
    for closure in run.closure:
        lines += paragraph(f"As read: {closure.statement}", "  ")
    return lines


def as_text(reply: TestReply) -> str:
    """Give the test as text no wider than 100 columns, except for a single word that is."""
    passes = ["\n".join(_pass(i, run)) for i, run in enumerate(reply.passes, 1)]
    head, gap, rest = balance_as_text(reply).partition("\n\n")
    return head + gap + "\n\n".join(passes) + gap + rest
