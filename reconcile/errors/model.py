"""
How an error grows with the value, and what the error of one reading consists of.

Absolute errors have the unit of the reading, any; relative ones are fractions of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from .checks import UnusableErrorInput, finite, not_negative, positive


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """
    An error with a part that stays and a part that grows with the value.

    ``absolute`` has the unit of the reading, ``relative`` is a fraction; neither is negative.
    """

    absolute: float = 0.0
    relative: float = 0.0

    def __post_init__(self) -> None:
        """Refuse negative parts."""
        not_negative("absolute", self.absolute)
        not_negative("relative", self.relative)

    def sd(self, value: float) -> float:
        """
        Give ``sqrt(absolute² + (relative value)²)``, the standard deviation at a value.

        Independent contributions add in squares: JCGM 100:2008, 5.1.2.
        """
        return math.hypot(self.absolute, self.relative * finite("value", value))


class Stage(StrEnum):
    """Where an error arises."""

    SAMPLING = "sampling"
    ANALYSIS = "analysis"
    WEIGHING = "weighing"
    UNDIVIDED = "undivided"
    """Sampling and analysis together, as in replicate samples or a plain stated sd."""


class Source(StrEnum):
    """Where the figure for an error was taken from."""

    STATED = "stated"
    REPLICATES = "replicates"
    POOLED = "pooled replicates"
    SAMPLING = "sampling"
    INTERLABORATORY = "interlaboratory"
    CONTROL = "control"
    ROUNDING = "rounding"
    DETECTION = "detection"


@dataclass(frozen=True, slots=True)
class Contribution:
    """
    One independent part of a reading's error: its standard deviation, in the reading's unit.

    ``words`` say where it came from, to stand after "the sd is": "pooled from 12 replicates on 6
    streams".
    """

    source: Source
    stage: Stage
    sd: float
    words: str

    def __post_init__(self) -> None:
        """Refuse a negative or endless part."""
        not_negative("sd", self.sd)


@dataclass(frozen=True, slots=True)
class SdParts:
    """
    Where the standard deviation of one reading comes from.

    ``parts`` are independent and add in squares.  ``floors`` do not add, since replicates and
    stated errors already hold the rounding of the values they came from; the total is at least
    the largest.  Only a *stated* error may be zero, which fixes the value; raises
    `UnusableErrorInput` if replicates that agree to the last digit would do so, or if there is
    neither part nor floor.
    """

    parts: tuple[Contribution, ...]
    floors: tuple[Contribution, ...] = ()
    total: float = field(init=False)
    """The standard deviation of the reading: root of the sum of squares, or the floor."""

    def __post_init__(self) -> None:
        """Refuse an error from nowhere, and one that is zero without anyone saying so."""
        # Asked several times of every reading, so worked out once.
        total = max((self._joined, *(floor.sd for floor in self.floors)))
        object.__setattr__(self, "total", total)
        if not self.parts and not self.floors:
            raise UnusableErrorInput("parts", "Nothing says how large the error is.")
        if self.total == 0 and any(part.source is not Source.STATED for part in self.parts):
            raise UnusableErrorInput(
                "parts",
                "The error comes out as zero, which no measurement has. "
                "Give the step to which values are printed.",
            )

    @property
    def floor(self) -> Contribution | None:
        """The floor that raised the total, if one did."""
        largest = max(self.floors, key=lambda floor: floor.sd, default=None)
        return largest if largest is not None and largest.sd > self._joined else None

    @property
    def shares(self) -> Mapping[Stage, float]:
        """
        The share of each stage in the variance; they add up to 1.

        What a floor adds counts as its own stage's.  Empty where the total is zero.
        """
        variances: dict[Stage, float] = {}
        for part in self.parts:
            variances[part.stage] = variances.get(part.stage, 0.0) + (part.sd / self._unit) ** 2
        if (floor := self.floor) is not None:
            raised = (floor.sd / self._unit) ** 2 - sum(variances.values())
            variances[floor.stage] = variances.get(floor.stage, 0.0) + raised
        whole = sum(variances.values())
        return {stage: v / whole for stage, v in variances.items() if v > 0}

    @property
    def sentence(self) -> str:
        """Where it came from, in words, without a full stop."""
        said = " and ".join(part.words for part in self.parts) or "nothing stated"
        raising = self.floor
        floors = [
            f"{'raised to' if floor is raising else 'at least'} {floor.words}"
            for floor in self.floors
        ]
        return "; ".join([said, *floors])

    def scaled(self, factor: float) -> SdParts:
        """
        Give the same error in another unit, ``factor`` of which make one of this.

        The words stay as they are: they speak in the unit the caller used.
        """
        positive("factor", factor)
        return SdParts(
            tuple(replace(part, sd=part.sd * factor) for part in self.parts),
            tuple(replace(floor, sd=floor.sd * factor) for floor in self.floors),
        )

    @property
    def _joined(self) -> float:
        return math.hypot(*(part.sd for part in self.parts))

    @property
    def _unit(self) -> float:
        """What variances are divided by, so that squares of tiny errors do not vanish."""
        return self.total or 1.0
