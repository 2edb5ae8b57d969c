"""Readings while they are taken: what is missing, how good they are, what errors they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile import Flowsheet, Measurand, Part, Reading

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Cause:
    """A shared error of every reading of one kind: of a relative or an absolute size."""

    name: str
    relative: bool
    size: float

    def size_at(self, value: float) -> float:
        return self.size * abs(value) if self.relative else self.size


class Notebook:
    """Readings while they are taken; each kind of reading may have shared causes."""

    def __init__(
        self,
        sheet: Flowsheet,
        amounts: Array,
        features: frozenset[str],
        rng: np.random.Generator,
        noise: float = 1.0,
    ) -> None:
        self.sheet, self.amounts, self.features, self.rng = sheet, amounts, features, rng
        self.noise = noise
        self.missing = float(rng.uniform(0.05, 0.55))
        self.worse = float(rng.uniform(3.0, 12.0)) if "rough" in features else 1.0
        self.causes: dict[str, tuple[_Cause, ...]] = {}
        self.true_causes: dict[str, float] = {}
        self.taken: dict[tuple[tuple[str, ...], str], Reading] = {}

    def error(self) -> float:
        """Draw an error in its own standard deviations."""
        return float(self.noise * self.rng.normal())

    def of(self, streams: tuple[str, ...], quantity: str | Part) -> float:
        """Give the true amount in some streams together."""
        index = self.sheet.stream_index
        q = self.sheet.quantity_index[quantity]
        return float(sum(self.amounts[index[s], q] for s in streams))

    def wanted(self) -> bool:
        """Say whether the next reading is taken at all."""
        return bool(self.rng.random() >= self.missing)

    def causes_for(self, kind: str, typical: float) -> tuple[_Cause, ...]:
        """Give the shared causes of a kind of reading, drawn when it is first taken."""
        if kind not in self.causes:
            drawn: tuple[_Cause, ...] = ()
            if "causes" in self.features and self.rng.random() < 0.5:
                relative = bool(self.rng.random() < 0.6)
                size = float(self.rng.uniform(0.005, 0.04)) * (1.0 if relative else abs(typical))
                drawn = (_Cause(f"bias of {kind}", relative, size),)
                self.true_causes[drawn[0].name] = self.error()
            self.causes[kind] = drawn
        return self.causes[kind]

    def take(
        self,
        streams: tuple[str, ...],
        of: str | Measurand,
        truth: float,
        sd: float,
        *,
        kind: str,
        share: bool = True,
    ) -> None:
        """Take one reading, unless it falls out of what could be reported."""
        key = streams, of if isinstance(of, str) else of.name
        sd *= self.worse
        shared = [(c.name, c.size_at(truth)) for c in self.causes_for(kind, truth) if truth != 0]
        value = truth + sd * self.error()
        value += sum(size * self.true_causes[name] for name, size in shared)
        if key in self.taken or sd <= 0 or (share and not value <= 1.0):
            return
        where = streams[0] if len(streams) == 1 else streams
        self.taken[key] = Reading(where, of, float(value), float(sd), tuple(shared))
