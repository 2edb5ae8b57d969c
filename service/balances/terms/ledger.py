"""Faults noted on the way, so that one does not hide the next."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from reconcile.faults import Fault, Where

_MOST_LISTED = 20


class Ledger:
    """Takes note of faults and goes on."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    @property
    def count(self) -> int:
        """How many faults were noted so far."""
        return len(self.faults)

    def note(self, where: Where, code: str, what: str, mend: str) -> None:
        """Take note of one fault."""
        self.faults.append(Fault(where, code, what, mend))

    def note_if(self, wrong: object, where: Where, code: str, what: str, mend: str) -> bool:
        """Take note of a fault if there is one, and say so."""
        if wrong:
            self.note(where, code, what, mend)
        return bool(wrong)

    def known(self, where: Where, kind: str, name: str, among: Collection[str]) -> bool:
        """Say whether a name is known, and take note if not."""
        return not self.note_if(
            name not in among,
            where,
            f"unknown-{kind}",
            f"There is no {kind.replace('-', ' ')} '{name}'.",
            f"Correct the name. Known: {listed(among)}.",
        )


def listed(names: Iterable[str]) -> str:
    """Name the first of them."""
    return ", ".join([*names][:_MOST_LISTED]) or "none"


def doubles(names: Iterable[str]) -> list[int]:
    """Give the positions of names that came before."""
    seen: set[str] = set()
    return [i for i, name in enumerate(names) if name in seen or seen.add(name)]  # type: ignore[func-returns-value]
