"""What may be wrong, in sentences."""

from __future__ import annotations

from service.balances.reply import BalanceReply


def nothing(reply: BalanceReply) -> list[str]:
    """Say that nothing was found."""
    found = reply.evidence
    if found is None or found.findings or found.global_test is None:
        return []
    return found.statements


def findings(reply: BalanceReply) -> list[str]:
    """Say what was found, what each decision would do, and what to read next."""
    found = reply.evidence
    if found is None or not found.findings:
        return []
    return found.statements
