"""
Readings: one measured value each, with its standard deviation.

What a reading is of is a :class:`~reconcile.measurands.Measurand`: a ratio of two sums of
extensive quantities, over one stream or several together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from .faults import Fault, InvalidInput
from .flowsheet import SOLIDS, Flowsheet
from .kernel.losses import Loss
from .measurands import Measurand, measurand


class Limit(StrEnum):
    """The true value is below, or above, the value of the reading."""

    BELOW = "below"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class Reading:
    """
    A measured value and its standard deviation.

    ``stream`` is a name, or several whose amounts are added (a composite, one weigher over two
    belts); none for a control sample, which reads shared errors alone.  ``of`` is a word
    (``"mass"``, ``"water"``, a component, an analyte) or a
    :class:`~reconcile.measurands.Measurand`.  Masses have any one unit throughout, ratios are
    fractions, 0 to 1.

    ``sd`` has the unit of ``value``: zero fixes the value, infinity makes the reading count for
    nothing.  It is the part of the error that is this reading's own; ``causes`` are (name, size)
    of errors shared with other readings, sizes in the unit of ``value`` at one standard deviation
    of the cause.  With ``limit`` set the value is a limit, not a number: below detection, above
    range; ``sd`` is then that of a measurement at the limit.
    """

    stream: str | tuple[str, ...]
    of: str | Measurand
    value: float
    sd: float
    causes: tuple[tuple[str, float], ...] = ()
    limit: Limit | None = None

    @property
    def streams(self) -> tuple[str, ...]:
        """The streams whose amounts are added."""
        return (self.stream,) if isinstance(self.stream, str) else self.stream

    @property
    def name(self) -> str:
        """What was read, in words."""
        return self.of if isinstance(self.of, str) else self.of.name

    @property
    def level(self) -> str | None:
        """The level that it is taken against, if there is one."""
        return None if isinstance(self.of, str) else self.of.level

    @property
    def total_sd(self) -> float:
        """Standard deviation of its own and the shared errors together."""
        return (
            math.hypot(self.sd, *(size for _, size in self.causes))
            if self.causes
            else float(self.sd)
        )

    @property
    def loss(self) -> Loss:
        """How it counts: by its square, or by the probability beyond its limit."""
        if self.limit is None:
            return Loss.SQUARE
        return Loss.BELOW if self.limit is Limit.BELOW else Loss.ABOVE

    @property
    def where(self) -> str:
        """The streams, in words."""
        return " + ".join(f"'{name}'" for name in self.streams) or "no stream"


def combined_sd(value: float, absolute: float | None, relative: float | None) -> float:
    """
    Give the standard deviation of a reading, evaluated at the reading itself.

    ``sqrt(absolute² + (relative·value)²)``; an error that is not given counts as zero.
    Independent contributions add in squares: JCGM 100:2008, 5.1.2.
    """
    return math.hypot(absolute or 0.0, (relative or 0.0) * value)


def _is_share(of: Measurand) -> bool:
    """Say whether it is a part over a whole that contains it, so at most one."""
    below = dict(of.below)
    return bool(below) and all(below.get(q) == c for q, c in of.above) and not of.carried


def _is_bounded(of: Measurand) -> bool:
    """Say whether it is at most one: a share, or one quantity over the dry solids."""
    return _is_share(of) or (len(of.above) == 1 and of.below == ((SOLIDS, 1.0),))


def _value_faults(i: int, reading: Reading, of: Measurand | None) -> list[Fault]:
    faults = []
    if not math.isfinite(reading.value):
        faults.append(
            Fault(
                ("readings", i, "value"),
                "not-finite",
                "The value is not a finite number.",
                "Leave the reading out if there is no value.",
            )
        )
    if math.isnan(reading.sd) or reading.sd < 0:
        faults.append(
            Fault(
                ("readings", i, "sd"),
                "bad-sd",
                f"The standard deviation is {reading.sd}.",
                "Give a standard deviation of zero (fixes the value) or more.",
            )
        )
    if (
        of is not None
        and _is_bounded(of)
        and math.isfinite(reading.value)
        and reading.value > 1
        and reading.limit is None
    ):
        faults.append(
            Fault(
                ("readings", i, "value"),
                "assay-above-100-percent",
                f"An assay of {100 * reading.value:.6g} % is more than the whole.",
                "Check the value and its unit.",
            )
        )
    may_be_negative = of is not None and (of.carried or not of.above)
    if reading.value < 0 and reading.sd == 0 and not may_be_negative:
        faults.append(
            Fault(
                ("readings", i, "value"),
                "negative-fixed-value",
                f"A value of {reading.value:.6g} is fixed by its zero standard deviation, "
                "but no quantity can be negative.",
                "Give the reading a standard deviation above zero, or correct the value.",
            )
        )
    return faults


def _error_faults(i: int, flowsheet: Flowsheet, reading: Reading, of: Measurand) -> list[Fault]:
    """Errors that cannot be combined with one another."""
    faults = []
    sizes = [size for _, size in reading.causes]
    if not all(math.isfinite(size) for size in sizes):
        faults.append(
            Fault(
                ("readings", i, "causes"),
                "bad-shared-error",
                "The size of a shared error is not a finite number.",
                "Give the size of each shared error as a number.",
            )
        )
    uncertain = any(flowsheet.contents[m][a].sd > 0 for _, m, a in of.carried)
    loose = bool(reading.causes) or uncertain or reading.limit is not None
    if reading.sd == 0 and loose:
        why = "shared errors" if reading.causes else "minerals of uncertain composition"
        why = "a limit" if reading.limit is not None else why
        faults.append(
            Fault(
                ("readings", i, "sd"),
                "fixed-but-uncertain",
                f"The reading is fixed by its zero standard deviation, but it has {why}.",
                "Give it a standard deviation above zero.",
            )
        )
    return faults


def _stream_faults(i: int, flowsheet: Flowsheet, reading: Reading, of: Measurand) -> list[Fault]:
    """Streams that do not hold, or cannot have read of them, what was read."""
    faults = []
    if not reading.streams and of.quantities:
        faults.append(
            Fault(
                ("readings", i, "stream"),
                "no-stream",
                f"The reading of '{of.name}' names no stream.",
                "Name the stream, or the streams whose amounts are added.",
            )
        )
    for name in reading.streams:
        stream = flowsheet.streams[flowsheet.stream_index[name]]
        if not any(flowsheet.holds(stream, q) for q in of.quantities):
            faults.append(
                Fault(
                    ("readings", i),
                    "stream-without-it",
                    f"Stream '{name}' is said to hold nothing of what '{of.name}' is read from.",
                    "Correct the stream or what was read, or let the stream hold it.",
                )
            )
        if stream.signed and not of.is_amount:
            faults.append(
                Fault(
                    ("readings", i),
                    "ratio-of-a-difference",
                    f"'{name}' is an unaccounted difference and may be negative, so it has no "
                    f"'{of.name}'.",
                    "Read amounts of it only, or declare it a loss.",
                )
            )
    return faults


def _names(flowsheet: Flowsheet) -> Iterable[str]:
    water = ("water",) if flowsheet.water else ()
    return (SOLIDS, *flowsheet.components, *water, *flowsheet.analytes)


def _resolved(
    i: int, flowsheet: Flowsheet, reading: Reading
) -> tuple[Measurand | None, list[Fault]]:
    try:
        of = measurand(flowsheet, reading.of)
    except KeyError:
        return None, [
            Fault(
                ("readings", i, "of"),
                "unknown-component",
                f"The reading is of '{reading.name}', which is neither '{SOLIDS}' nor a "
                "component of the flowsheet.",
                f"Use one of: {', '.join([*_names(flowsheet)][:20])}.",
            )
        ]
    strange = [q for q in of.quantities if q not in flowsheet.quantity_index]
    if strange:
        return None, [
            Fault(
                ("readings", i, "of"),
                "quantity-not-followed",
                f"'{of.name}' needs {', '.join(str(q) for q in strange)}, which the flowsheet "
                "does not follow.",
                "Add it to the flowsheet: water, the size classes, or the component among those "
                "followed by size.",
            )
        ]
    return of, []


@dataclass(frozen=True, slots=True)
class _Kind:
    """What all readings of one measurand have in common; ``number`` tells measurands apart."""

    of: Measurand | None
    unknown: tuple[Fault, ...]
    number: int
    is_of_something: bool
    is_at_most_one: bool

    def finds_nothing(self, flowsheet: Flowsheet, reading: Reading) -> bool:
        """
        Say whether a reading is of the plainest kind, of which nothing can be wrong.

        Of a reading that is not, the judgement in full tells.
        """
        if not self.is_of_something or not isinstance(reading.stream, str) or reading.causes:
            return False
        at = flowsheet.stream_index.get(reading.stream)
        if at is None or flowsheet.streams[at].signed or flowsheet.streams[at].without:
            return False
        most = 1.0 if self.is_at_most_one else math.inf
        return 0.0 <= reading.value <= most and math.isfinite(reading.value) and reading.sd > 0


def _kinds_of(flowsheet: Flowsheet, readings: Sequence[Reading]) -> dict[str | Measurand, _Kind]:
    """Judge once what many readings are of; faults have the place of the first of them."""
    kinds: dict[str | Measurand, _Kind] = {}
    numbers: dict[Measurand, int] = {}
    for i, reading in enumerate(readings):
        if reading.of in kinds:
            continue
        of, unknown = _resolved(i, flowsheet, reading)
        if of is None:
            kinds[reading.of] = _Kind(None, tuple(unknown), -1, False, False)
            continue
        number = numbers.setdefault(of, len(numbers))
        kinds[reading.of] = _Kind(of, (), number, bool(of.quantities), _is_bounded(of))
    return kinds


def faults_of(flowsheet: Flowsheet, readings: Sequence[Reading]) -> list[Fault]:
    """Give everything that is wrong with the readings, against the flowsheet they belong to."""
    faults: list[Fault] = []
    first: dict[tuple[tuple[str, ...], int], int] = {}
    kinds = _kinds_of(flowsheet, readings)
    if not readings:
        faults.append(
            Fault(
                ("readings",),
                "no-readings",
                "There are no readings, so there is nothing to reconcile.",
                "Give at least one measured mass or assay.",
            )
        )
    for i, reading in enumerate(readings):
        kind = kinds[reading.of]
        if not kind.finds_nothing(flowsheet, reading):
            faults += _faults_in_full(i, flowsheet, reading, kind)
        strange = any(name not in flowsheet.stream_index for name in reading.streams)
        if kind.of is None or strange or math.isinf(reading.sd) or not reading.streams:
            continue
        key = (reading.streams, kind.number)
        if key in first:
            faults.append(
                Fault(
                    ("readings", i),
                    "repeated-reading",
                    f"'{reading.name}' of stream {reading.where} was already read at "
                    f"/readings/{first[key]}.",
                    "Give one reading: the mean of n replicates with sd divided by the square "
                    "root of n.",
                )
            )
        first.setdefault(key, i)
    return faults


def _faults_in_full(i: int, flowsheet: Flowsheet, reading: Reading, kind: _Kind) -> list[Fault]:
    faults = []
    strange = [name for name in reading.streams if name not in flowsheet.stream_index]
    if strange:
        faults.append(
            Fault(
                ("readings", i, "stream"),
                "unknown-stream",
                f"The reading names the stream '{strange[0]}', which is not listed.",
                "Correct the name. Known streams: "
                f"{', '.join(s.name for s in flowsheet.streams[:12])}.",
            )
        )
    # A measurand that means nothing is told at each reading of it.
    faults += [replace(fault, where=("readings", i, *fault.where[2:])) for fault in kind.unknown]
    faults += _value_faults(i, reading, kind.of)
    if kind.of is None:
        return faults
    faults += _error_faults(i, flowsheet, reading, kind.of)
    return faults if strange else faults + _stream_faults(i, flowsheet, reading, kind.of)


def checked(flowsheet: Flowsheet, readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """
    Give the readings back if they can be used.

    Raises
    ------
    InvalidInput
        with every fault found.
    """
    faults = faults_of(flowsheet, readings)
    if faults:
        raise InvalidInput(faults)
    return tuple(readings)
