"""How the figures were worked out, how well they close, and where their errors come from."""

from __future__ import annotations

from service.balances.reply import BalanceReply
from service.balances.table import checks, errors
from service.report.document import Block, Items, Paragraph

_ERRORS = (
    "What stands behind ± is one standard deviation, propagated from the readings through the "
    "balance with all that they share; a true value lies within two of them in about nineteen "
    "cases of twenty, if the stated errors are right. A value is shown to the last digit that its "
    "standard deviation, of two digits, says is known."
)


def blocks(reply: BalanceReply) -> tuple[Block, ...]:
    """Give the method in words."""
    found: list[Block] = [
        Paragraph(reply.estimator),
        Paragraph(_ERRORS),
        *map(Paragraph, (*checks.closure(reply), *checks.test(reply), *checks.largest(reply))),
    ]
    told = (errors.shared(reply), errors.sources(reply))
    found += [Items(tuple(sentences)) for sentences in told if sentences]
    return tuple(found)
