"""From the bytes of a test sheet to the request for its balance, or every fault at once."""

from __future__ import annotations

from dataclasses import replace

from reconcile.faults import Fault, Where
from service.balances.intake import taken_in
from service.kit.intake import document_of
from service.kit.settings import Settings
from service.kit.wire_faults import locate
from service.tests.schemas import TestSheet

from .advice import UNTAKEN_MEMBERS
from .places import moved
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

        def written(where: Where) -> Where:
            return locate(document, where)[0]

        found, faults = expanded(sheet, settings)
        if found is not None:
            found = replace(found, terms=moved(found.terms, written))
        return found, [replace(fault, where=written(fault.where)) for fault in faults]

    _, found = taken_in(body, settings, TestSheet, judged, UNTAKEN_MEMBERS)
    assert found is not None  # noqa: S101 - a sheet without faults has a balance to ask for
    return found
