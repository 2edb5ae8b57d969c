"""From the bytes of a test sheet to the request for its balance, or every fault at once."""

from __future__ import annotations

from dataclasses import replace

from reconcile.faults import Fault
from service.balances.intake import taken_in
from service.kit.intake import document_of
from service.kit.settings import Settings
from service.kit.wire_faults import locate
from service.tests.schemas import TestSheet

from .request import Expanded, expanded


def take_in(body: bytes, settings: Settings) -> Expanded:
    """
    Read and check a test sheet.

    Raises
    ------
    RefusalError
        with every fault found, each in its place on the sheet as it was written.
    """

    def judged(sheet: TestSheet) -> tuple[Expanded | None, list[Fault]]:
        # The short ways of writing, such as a name for a list of one, have shorter places.
        document = document_of(body).value
        found, faults = expanded(sheet, settings)
        return found, [replace(f, where=locate(document, f.where)[0]) for f in faults]

    _, found = taken_in(body, settings, TestSheet, judged)
    assert found is not None  # noqa: S101 - a sheet without faults has a balance to ask for
    return found
