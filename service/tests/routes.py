"""The resource /v1/tests."""

from __future__ import annotations

from service.kit.problems import CONTRADICTORY, UNREADABLE_SHEET
from service.kit.stateless import calculating
from service.report.doors import other_forms

from .reply import TestReply
from .schemas import MINIMAL_SHEET, TestSheet
from .service import test_json, test_report
from .spreadsheet.bodies import BODIES

_DESCRIPTION = """\
Reconcile a laboratory test written down as passes and trays; nothing is stored.

The sheet says what was fed to each pass, what came of it, and what was weighed and assayed.
It may also come as a workbook or a table that was filled in (see /v1/tests/sheet): faults then
name the cell beside the place in JSON.
The reply is that of a balance, with what each pass took and made. All places in it, and in
whatever is wrong with the sheet, are places on the sheet.

'Accept' brings a report of the same figures instead of JSON.
"""

router = calculating(
    test_json,
    path="/v1/tests",
    tag="tests",
    operation="reconcile_test",
    summary="Reconcile a laboratory test",
    description=_DESCRIPTION,
    request=TestSheet,
    example=MINIMAL_SHEET,
    reply=TestReply,
    gives="The reconciled test.",
    also=(UNREADABLE_SHEET, CONTRADICTORY),
    others=other_forms(test_report),
    bodies=BODIES,
)
