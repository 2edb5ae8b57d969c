"""A sheet that was filled in, as the JSON sheet that it stands for, with the cell of all of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from reconcile.faults import Where
from service.kit.problems import (
    INVALID_REQUEST,
    FaultEntry,
    RefusalError,
    refuse_faulty,
)
from service.kit.strict_json import pointer

from .grid import Place, Slip


@dataclass(frozen=True)
class Filled:
    """
    What was read.

    ``places`` gives the cell of each member by its JSON pointer; ``slips`` is what could not be
    read, and while there is any the document is not whole.
    """

    document: dict[str, Any]
    places: Mapping[str, Place]
    slips: list[Slip] = field(default_factory=list)

    @property
    def is_hopeless(self) -> bool:
        """Say that too little could be read for anything more to be said about it."""
        return any(not slip.where for slip in self.slips)

    def cell(self, at: str) -> str | None:
        """Give the cell of a member, or of the nearest thing that holds it."""
        while at and at not in self.places:
            at = at.rpartition("/")[0]
        found = self.places.get(at)
        return None if found is None else str(found)

    def refusal(self, judged: RefusalError | None = None) -> RefusalError:
        """Give the refusal of the sheet: what could not be read, and what was found of the rest."""
        entries = [
            FaultEntry(
                pointer=pointer(slip.where),
                cell=str(slip.place),
                code=slip.code,
                detail=slip.what,
                mend=slip.mend,
            )
            for slip in sorted(self.slips, key=lambda s: (s.place, s.code))
        ]
        unread = [pointer(slip.where) for slip in self.slips]
        entries += [
            fault.model_copy(update={"cell": self.cell(fault.pointer)})
            for fault in (judged.problem.faults if judged else ())
            if not any(_touches(fault.pointer, at) for at in unread)
        ]
        problem = refuse_faulty([]).problem
        n = len(entries)
        found = "1 fault was" if n == 1 else f"{n} faults were"
        detail = f"{found} found; 'faults' names the cell of each and how to mend it."
        update = {"detail": detail, "faults": entries, "fault_count": n}
        return RefusalError(INVALID_REQUEST, problem.model_copy(update=update))

    def told_by_cell(self, refusal: RefusalError) -> RefusalError:
        """Give a refusal of the document with the cell of each fault, whatever its kind."""
        if refusal.kind is INVALID_REQUEST:
            return self.refusal(refusal)
        faults = [
            fault.model_copy(update={"cell": self.cell(fault.pointer)})
            for fault in refusal.problem.faults
        ]
        problem = refusal.problem.model_copy(update={"faults": faults})
        return RefusalError(refusal.kind, problem, refusal.headers)


def _touches(one: str, other: str) -> bool:
    """Say whether one place is the other, or holds it."""
    return f"{one}/".startswith(f"{other}/") or f"{other}/".startswith(f"{one}/")


def placed(places: Iterable[tuple[Where, Place]]) -> dict[str, Place]:
    """Give cells by the pointers of what stands in them."""
    return {pointer(where): place for where, place in places}
