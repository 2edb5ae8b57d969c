"""From places in the request for a balance back to places on the sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

from reconcile.faults import Fault, Where
from reconcile.metallurgy.passes import Network
from service.balances.terms.request import Terms
from service.tests.schemas import TestSheet

from .outline import on_sheet
from .weights import Source

_MENDS = {
    "reading-without-sd": "Give it an 'sd', a 'relative_sd' or both, or state under 'errors' how "
    "well such results are measured.",
}


@dataclass(frozen=True)
class Places:
    """Where everything in the request for the balance stands on the sheet."""

    sheet: TestSheet
    network: Network
    sources: tuple[Source, ...]
    models: list[Where]

    def where(self, where: Where) -> Where:
        """Give the place on the sheet of a place in the request."""
        match where:
            case ("readings", int(i), *rest):
                return self._of_reading(i, tuple(rest))
            case ("readings",):
                return ()
            case ("flowsheet", *rest):
                return self._of_flowsheet(tuple(rest))
            case ("error_models", int(k), *rest) if k >= len(self.sheet.error_models):
                return (*self.models[k - len(self.sheet.error_models)], *rest)
            case _:
                return where

    def _of_reading(self, i: int, rest: Where) -> Where:
        source = self.sources[i]
        if rest and rest[0] in source.members:
            return (*source.members[str(rest[0])], *rest[1:])
        return (*source.where, *rest)

    def _of_flowsheet(self, rest: Where) -> Where:
        match rest:
            case ("streams", int(i), *_):
                return on_sheet(self.sheet, self.network.flows[i].place)
            case ("nodes", int(i), *_):
                return on_sheet(self.sheet, self.network.nodes[i].place)
            case ("streams" | "nodes",):
                return ("passes",)
            case _:
                return rest

    def told(self, fault: Fault) -> Fault:
        """Give a fault of the request as one of the sheet."""
        what = fault.what
        if len(fault.where) > 1 and fault.where[0] == "readings":
            source = self.sources[int(fault.where[1])]
            what = f"{source.label}, {source.what}: {what}"
        what = what[0].upper() + what[1:]
        mend = _MENDS.get(fault.code, fault.mend)
        return Fault(self.where(fault.where), fault.code, what, mend)

    def terms(self, terms: Terms) -> Terms:
        """Give the terms of the request with all places as they are on the sheet."""
        return replace(
            terms,
            origins=tuple(self.where(where) for where in terms.origins),
            entries=tuple(replace(e, where=self.where(e.where)) for e in terms.entries),
        )
