"""What may be wrong, in sentences."""

from __future__ import annotations

from service.balances.reply import BalanceReply
from service.kit.plain_table import paragraph


def nothing(reply: BalanceReply) -> list[str]:
    """Say that nothing was found."""
    found = reply.evidence
    if found is None or found.findings or found.global_test is None:
        return []
    return [line for said in found.statements for line in paragraph(said, "  ")]


def findings(reply: BalanceReply) -> list[str]:
    """Say what was found, what each decision would do, and what to read next."""
    found = reply.evidence
    if found is None or not found.findings:
        return []
    return [line for said in found.statements for line in paragraph(said, "  ")]
