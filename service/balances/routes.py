"""The resource /v1/balances."""

from __future__ import annotations

from service.kit.problems import CONTRADICTORY
from service.kit.stateless import calculating
from service.report.doors import other_forms

from .reply import BalanceReply
from .schemas import MINIMAL_EXAMPLE, BalanceRequest
from .service import balance_json, balance_report

_DESCRIPTION = """\
Reconcile the readings of one flowsheet and give the balance back; nothing is stored.

All masses and assays are adjusted at once, each by no more than its error asks for, so
that every node balances for the solids and for every component. What the readings do not
determine comes back as null with its class, never as an invented number.

'Accept' brings a report of the same figures instead of JSON.
"""

router = calculating(
    balance_json,
    path="/v1/balances",
    tag="balances",
    operation="reconcile_balance",
    summary="Reconcile a balance",
    description=_DESCRIPTION,
    request=BalanceRequest,
    example=MINIMAL_EXAMPLE,
    reply=BalanceReply,
    gives="The reconciled balance.",
    also=(CONTRADICTORY,),
    others=other_forms(balance_report),
)
