"""The sheet as a list of passes: what was fed, what came of it, and nothing of results."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.faults import Fault, Where
from reconcile.metallurgy.passes import LaboratoryTest, Lot, Pass, Taking
from reconcile.metallurgy.sheet_faults import faults_of
from service.tests.schemas import FedObject, HeadObject, LotObject, ProductObject, TestSheet


def heads_of(sheet: TestSheet) -> list[HeadObject]:
    """Give the heads, whether the sheet has one or several."""
    return [*([] if sheet.head is None else [sheet.head]), *sheet.heads]


def is_read(lot: LotObject | None) -> bool:
    """Say whether anything was weighed or assayed of a lot."""
    if lot is None:
        return False
    return bool(lot.assays) or lot.net is not None or lot.gross is not None


def _is_weighed(lot: LotObject) -> bool:
    return lot.gross is not None or (lot.net is not None and lot.net.value is not None)


def _lot(wire: HeadObject | ProductObject) -> Lot:
    is_loss = isinstance(wire, ProductObject) and wire.loss is not None
    return Lot(wire.name, is_loss, wire.kept is not None, _is_weighed(wire))


def _taking(wire: FedObject) -> Taking:
    """Give a taking; a whole that was weighed or assayed again is a part that takes the rest."""
    return Taking(wire.of, not wire.whole or is_read(wire), wire.whole or wire.rest)


def outline_of(sheet: TestSheet) -> LaboratoryTest:
    """Give the passes and lots of a sheet."""
    passes = tuple(
        Pass(
            run.name or f"pass {i}",
            tuple(_taking(fed) for fed in run.fed),
            tuple(_lot(product) for product in run.products),
            is_read(run.feed),
            run.kind == "splitting",
        )
        for i, run in enumerate(sheet.passes, 1)
    )
    return LaboratoryTest(tuple(_lot(head) for head in heads_of(sheet)), passes)


def outline_faults(sheet: TestSheet, test: LaboratoryTest) -> Iterator[Fault]:
    """Give what is wrong with the passes of a sheet, each in its place on the sheet."""
    if sheet.head is not None and sheet.heads:
        what = "The sheet has both 'head' and 'heads'."
        yield Fault(("head",), "head-and-heads", what, "Move it into 'heads'.")
    for fault in faults_of(test):
        yield Fault(on_sheet(sheet, fault.where), fault.code, fault.what, fault.mend)


def on_sheet(sheet: TestSheet, where: Where) -> Where:
    """Give a place of the outline as one of the sheet, where a single head is no list."""
    match where:
        case ("heads", int(i), *rest) if sheet.head is not None:
            return ("head", *rest) if i == 0 else ("heads", i - 1, *rest)
        case _:
            return where
