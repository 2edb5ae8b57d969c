"""
Readings: one measured value each, with its standard deviation.

A reading is a ratio of two linear functionals of the extensive quantities: a mass is
``solids / 1``, an assay is ``component / solids``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .faults import Fault, InvalidInput
from .flowsheet import SOLIDS, Flowsheet


@dataclass(frozen=True, slots=True)
class Reading:
    """
    A measured value and its standard deviation.

    ``of`` is ``"mass"`` (dry solids, any one mass unit throughout) or a component, whose
    assay is a mass fraction, 0 to 1.  ``sd`` has the unit of ``value``: zero fixes the value,
    infinity makes the reading count for nothing.
    """

    stream: str
    of: str
    value: float
    sd: float


def combined_sd(value: float, absolute: float | None, relative: float | None) -> float:
    """
    Give the standard deviation of a reading, evaluated at the reading itself.

    ``sqrt(absolute² + (relative·value)²)``; an error that is not given counts as zero.
    Independent contributions add in squares: JCGM 100:2008, 5.1.2.
    """
    return math.hypot(absolute or 0.0, (relative or 0.0) * value)


def _value_faults(i: int, reading: Reading) -> list[Fault]:
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
    if reading.of != SOLIDS and math.isfinite(reading.value) and reading.value > 1:
        faults.append(
            Fault(
                ("readings", i, "value"),
                "assay-above-100-percent",
                f"An assay of {100 * reading.value:.6g} % is more than the whole.",
                "Check the value and its unit.",
            )
        )
    if reading.value < 0 and reading.sd == 0:
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


def faults_of(flowsheet: Flowsheet, readings: Sequence[Reading]) -> list[Fault]:
    """Give everything that is wrong with the readings, against the flowsheet they belong to."""
    faults: list[Fault] = []
    first: dict[tuple[str, str], int] = {}
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
        if reading.stream not in flowsheet.stream_index:
            faults.append(
                Fault(
                    ("readings", i, "stream"),
                    "unknown-stream",
                    f"The reading names the stream '{reading.stream}', which is not listed.",
                    "Correct the name. Known streams: "
                    f"{', '.join(s.name for s in flowsheet.streams[:12])}.",
                )
            )
        if reading.of not in flowsheet.quantity_index:
            faults.append(
                Fault(
                    ("readings", i, "of"),
                    "unknown-component",
                    f"The reading is of '{reading.of}', which is neither '{SOLIDS}' nor a "
                    "component of the flowsheet.",
                    f"Use one of: {', '.join(flowsheet.quantities[:20])}.",
                )
            )
        key = (reading.stream, reading.of)
        if key in first:
            faults.append(
                Fault(
                    ("readings", i),
                    "repeated-reading",
                    f"'{reading.of}' of stream '{reading.stream}' was already read at "
                    f"/readings/{first[key]}.",
                    "Give one reading: the mean of n replicates with sd divided by the square "
                    "root of n.",
                )
            )
        first.setdefault(key, i)
        faults += _value_faults(i, reading)
    return faults


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
