"""Control samples and blanks: readings of a shared error and of nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator

from reconcile import Reading, measurands
from reconcile.errors import ErrorModel, UnusableErrorInput, mean_of
from reconcile.faults import Where
from service.balances.schemas import CauseObject, ControlObject
from service.kit.units import convert, fit

from .ledger import Ledger


def controls_of(
    controls: list[ControlObject], causes: dict[str, CauseObject], ledger: Ledger
) -> Iterator[tuple[Where, Reading]]:
    """
    Give the controls as readings: measured less certified value, in the control's unit.

    Of the shared cause, the control has what a reading at its certified value would have.
    """
    for i, control in enumerate(controls):
        where: Where = ("controls", i)
        cause = causes.get(control.cause)
        if cause is None:
            ledger.known((*where, "cause"), "cause", control.cause, causes)
            continue
        size = _size(control, cause, where, ledger)
        found = _mean(control, where, ledger)
        if size is None or found is None:
            continue
        value, sd = found
        of = measurands.nothing(f"control sample {control.name}")
        sd = math.hypot(sd, control.certified_sd)
        if ledger.note_if(
            sd == 0,
            where,
            "reading-without-sd",
            f"The control sample '{control.name}' would be known without any error.",
            "Give 'sd' or 'relative_sd', replicates that differ, or a 'certified_sd' above zero.",
        ):
            continue
        yield where, Reading((), of, value - control.certified, sd, ((cause.name, size),))


def _size(control: ControlObject, cause: CauseObject, where: Where, ledger: Ledger) -> float | None:
    unit = cause.unit or control.unit
    if cause.sd is not None and ledger.note_if(
        not fit(unit, control.unit),
        (*where, "unit"),
        "unit-does-not-fit",
        f"'{control.unit}' does not fit the cause '{cause.name}', which is in '{unit}'.",
        "Give the control sample in a unit of the same kind.",
    ):
        return None
    absolute = convert(cause.sd, unit, control.unit) if cause.sd else 0.0
    size = ErrorModel(absolute, cause.relative_sd or 0.0).sd(control.certified)
    wrong = ledger.note_if(
        size == 0,
        (*where, "cause"),
        "control-of-nothing",
        f"At {control.certified:g} {control.unit} the cause '{cause.name}' does nothing, so the "
        "control sample says nothing about it.",
        "Give the cause an 'sd', or leave the control out.",
    )
    return None if wrong else size


def _mean(control: ControlObject, where: Where, ledger: Ledger) -> tuple[float, float] | None:
    """Give the value that the batch read, with the sd of its own error."""
    if ledger.note_if(
        (control.value is None) == (control.replicates is None),
        where,
        "several-results" if control.value is not None else "missing-field",
        f"The control sample '{control.name}' needs one result.",
        "Give 'value' or 'replicates'.",
    ):
        return None
    values = control.replicates if control.value is None else [control.value]
    stated = control.sd is not None or control.relative_sd is not None
    one = ErrorModel(control.sd or 0.0, control.relative_sd or 0.0).sd(control.certified)
    try:
        centre = mean_of(values or [], one if stated else None)
    except UnusableErrorInput as fault:
        ledger.note(
            where,
            "unusable-error-input",
            fault.what,
            "Give 'sd' or 'relative_sd', or two replicates or more.",
        )
        return None
    return centre.value, centre.sd
