"""What a file holds that a report can be made of, whichever document that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.balances.kept import reply_of
from service.balances.reply import BalanceReply
from service.balances.report import document_of
from service.balances.service import balance
from service.kit import intake
from service.kit.media import JSON
from service.kit.problems import refuse_faulty
from service.kit.replies import as_json, sound
from service.kit.settings import Settings
from service.report.document import Document
from service.report.forms import written
from service.tests import report as test
from service.tests.reply import TestReply
from service.tests.service import reconcile_test
from service.tests.spreadsheet.service import kind_of, through


@dataclass(frozen=True, slots=True)
class Report:
    """A report in every form: as JSON it is the reply that it is made of."""

    reply: BalanceReply
    document: Document

    def written(self, media_type: str) -> bytes:
        """Give the report in a form."""
        if media_type == JSON:
            return f"{as_json(self.reply, 2)}\n".encode()
        return written(self.document, media_type)


def report_of(body: bytes, settings: Settings) -> Report:
    """
    Give the report of what a file holds.

    That is a request for a balance or the sheet of a test in any form, which is calculated; the
    reply to one; or a balance of a shift or a kept test as the service tells it.

    Raises
    ------
    RefusalError
        where it is none of them, or has a fault, or no balance.
    """
    kind = kind_of(body)
    if kind != JSON:
        return _of_test(through(body, settings, kind, reconcile_test))
    read = intake.document_of(body)
    document = read.value if isinstance(read.value, dict) else {}
    if not _is_reply(document) and isinstance(document.get("balance"), dict):
        document = document["balance"]
    is_test = "passes" in document
    if _is_reply(document):
        if read.faults:
            raise refuse_faulty(read.faults)
        return _of_test(test.reply_of(document)) if is_test else _of_balance(kept_balance(document))
    if is_test:
        return _of_test(reconcile_test(body, settings))
    return _of_balance(balance(body, settings))


def _is_reply(document: dict[str, Any]) -> bool:
    return "outcome" in document and "streams" in document


def kept_balance(document: Any) -> BalanceReply:  # noqa: ANN401 - any JSON value
    """Give a balance that was kept as JSON; raises what :func:`reply_of` raises."""
    return reply_of(document, BalanceReply)


def _of_balance(reply: BalanceReply) -> Report:
    return Report(reply, document_of(sound(reply)))


def _of_test(reply: TestReply) -> Report:
    return Report(reply, test.document_of(sound(reply)))
