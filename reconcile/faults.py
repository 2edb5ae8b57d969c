"""What is wrong with a request, as values: where, what, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass

Where = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """
    One thing wrong with the input.

    ``where`` is the path to it as member names and list positions, the parts of a JSON
    pointer (RFC 6901) relative to the object that was checked; ``code`` is a stable word
    for programs; ``what`` and ``mend`` are sentences for people.
    """

    where: Where
    code: str
    what: str
    mend: str

    def under(self, *prefix: str | int) -> Fault:
        """Give the same fault as seen from an enclosing object."""
        return Fault((*prefix, *self.where), self.code, self.what, self.mend)


class InvalidInput(ValueError):
    """The flowsheet or the readings cannot be used; ``faults`` says why, all of it at once."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{'/'.join(map(str, f.where))}: {f.what}" for f in faults))
