"""What was found in the readings, and what to mind."""

from __future__ import annotations

from dataclasses import replace

from service.balances.reply import BalanceReply, Decision
from service.balances.table import checks, errors, evidence
from service.balances.table.streams import Filled, tabled
from service.report.document import Block, Caution, Column, Items, Table, Value


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Say what was found, or that nothing was; and what each decision would do."""
    said = [*evidence.nothing(reply), *evidence.findings(reply)]
    said += [*reply.statements, *errors.limits(reply)]
    items: tuple[Block, ...] = (Items(tuple(said)),) if said else ()
    decisions = [d for d in (reply.evidence.decisions if reply.evidence else []) if d.figures]
    return (*items, _decided(decisions)) if decisions else items


def _decided(decisions: list[Decision]) -> Table:
    """Give the figures as they stand and after each decision, none of which is taken."""
    before = decisions[0].figures
    columns: list[Filled] = [
        (Column("as it stands"), [_figure(f.before, f.before_sd) for f in before])
    ]
    for k, decision in enumerate(decisions, 1):
        after = {f.figure: _figure(f.after, f.after_sd) for f in decision.figures}
        columns.append((Column(f"after {k}"), [after.get(f.figure, "") for f in before]))
    said = (f"{k}: {d.statement.partition(':')[0]}." for k, d in enumerate(decisions, 1))
    table = tabled(
        "What each decision would do, %", "Figure", [f.figure for f in before], columns, unit="%"
    )
    return replace(table, note=" ".join(said))


def _figure(value: float | None, sd: float | None) -> Value:
    return Value(value, sd, "unknown" if value is None else "")


def cautions(reply: BalanceReply) -> tuple[Block, ...]:
    """Say what to mind: warnings, what nothing checks, what is not known and how it would be."""
    weak = [
        *checks.unchecked(reply),
        *checks.bounds(reply),
        *checks.discounted(reply),
        *checks.remedies(reply),
    ]
    items: tuple[Block, ...] = (Items(tuple(weak)),) if weak else ()
    return (*(Caution(warning) for warning in reply.warnings), *items)
