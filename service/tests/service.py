"""One test from the bytes of a sheet to the reply; every door goes through here."""

from __future__ import annotations

from service.balances.intake import Intake
from service.balances.service import balanced
from service.kit.replies import as_bytes, sound
from service.kit.settings import Settings
from service.report.forms import written

from .answer import answer
from .reply import TestReply
from .report import document_of
from .terms.take_in import take_in


def reconcile_test(payload: bytes, settings: Settings) -> TestReply:
    """
    Give the reconciled test of a sheet.

    Raises
    ------
    RefusalError
        if the sheet is faulty, or has no balance; its problem says why, in places of the sheet.
    Misplaced
        if it is too large for the lane of a worker process that this is.
    """
    found = take_in(payload, settings)
    return answer(found, balanced(Intake(found.request, found.terms), settings))


def test_json(body: bytes, settings: Settings) -> bytes:
    """Give the reply to a sheet as it is sent; raises what :func:`reconcile_test` raises."""
    return as_bytes(reconcile_test(body, settings))


def test_report(body: bytes, settings: Settings, media_type: str) -> bytes:
    """Give the report of a sheet; raises what :func:`reconcile_test` raises."""
    return written(document_of(sound(reconcile_test(body, settings))), media_type)
