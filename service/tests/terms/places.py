"""From places in the request for a balance back to places on the sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from reconcile.faults import Fault, Where
from reconcile.metallurgy.passes import Network
from service.balances.terms.request import Terms
from service.tests.schemas import TestSheet

from .outline import on_sheet
from .weights import Source

_TOLD = {
    "reading-without-sd": (
        "nothing says how well it was measured.",
        "Give it an 'sd' or a 'relative_sd', or state under 'errors' how well such are measured.",
    ),
}
"""What is said, and how to mend it, where a sheet has other ways than a balance."""


@dataclass(frozen=True)
class Places:
    """Where everything in the request for the balance stands on the sheet."""

    sheet: TestSheet
    network: Network
    sources: tuple[Source, ...]
    models: tuple[Where, ...]
    likenesses: tuple[tuple[Where, ...], ...]

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
            case ("likenesses", int(i), "streams", int(j), *_):
                return self.likenesses[i][j]
            case ("likenesses", int(i), *_):
                return self.likenesses[i][0]
            case ("streams" | "nodes" | "likenesses",):
                return ("passes",)
            case _:
                return rest

    def told(self, fault: Fault) -> Fault:
        """Give a fault of the request as one of the sheet."""
        what, mend = _TOLD.get(fault.code, (fault.what, fault.mend))
        if len(fault.where) > 1 and fault.where[0] == "readings":
            source = self.sources[int(fault.where[1])]
            what = f"{source.label}, {source.what}: {what}"
        what = what[0].upper() + what[1:]
        return Fault(self.where(fault.where), fault.code, what, mend)


def moved(terms: Terms, where: Callable[[Where], Where]) -> Terms:
    """Give the terms of a request with all places told of changed."""
    return replace(
        terms,
        origins=tuple(where(place) for place in terms.origins),
        entries=tuple(entry._replace(where=where(entry.where)) for entry in terms.entries),
    )
