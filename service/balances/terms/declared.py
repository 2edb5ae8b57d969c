"""What a request declares about errors, by name: error models and shared causes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from reconcile.errors import (
    ErrorModel,
    Precision,
    UnusableErrorInput,
    precision_from_duplicates,
)
from reconcile.faults import Where
from service.balances.schemas import BalanceRequest, CauseObject, ErrorModelObject

from .ledger import Ledger, doubles

T = TypeVar("T")


@dataclass(frozen=True)
class Declared:
    """What the request declares about errors, by name."""

    models: Mapping[str, tuple[ErrorModel | Precision, str | None]]
    causes: Mapping[str, CauseObject]


def declared(request: BalanceRequest, ledger: Ledger) -> Declared:
    """Give the error models and shared causes, and take note of what is wrong with them."""
    for kind, names in (
        ("error_models", [m.name for m in request.error_models]),
        ("causes", [c.name for c in request.causes]),
        ("controls", [c.name for c in request.controls]),
    ):
        for i in doubles(names):
            what = f"The name '{names[i]}' is used twice."
            ledger.note((kind, i, "name"), "duplicate-name", what, "Give each a name of its own.")
    for i, cause in enumerate(request.causes):
        _note_cause(cause, ("causes", i), ledger)
    models = {
        m.name: (_model(m, ("error_models", i), ledger), m.unit)
        for i, m in enumerate(request.error_models)
    }
    return Declared(
        {name: (model, unit) for name, (model, unit) in models.items() if model is not None},
        {c.name: c for c in request.causes},
    )


def _note_cause(cause: CauseObject, where: Where, ledger: Ledger) -> None:
    ledger.note_if(
        cause.sd is None and cause.relative_sd is None,
        where,
        "cause-without-size",
        f"The cause '{cause.name}' does not say how large it is.",
        "Give 'sd' with its unit, or 'relative_sd'.",
    )
    ledger.note_if(
        cause.sd is not None and cause.unit is None,
        where,
        "missing-unit",
        f"The sd of the cause '{cause.name}' has no unit.",
        "Add 'unit'.",
    )


def _model(wire: ErrorModelObject, where: Where, ledger: Ledger) -> ErrorModel | Precision | None:
    is_stated = wire.sd is not None or wire.relative_sd is not None
    if ledger.note_if(
        is_stated == bool(wire.duplicates),
        where,
        "unclear-error-model",
        f"The error model '{wire.name}' is to be stated or learnt, one of the two.",
        "Give 'sd', 'relative_sd' or both, or else 'duplicates'.",
    ) or ledger.note_if(
        (wire.sd is not None or wire.duplicates) and wire.unit is None,
        where,
        "missing-unit",
        f"The error model '{wire.name}' has no unit.",
        "Add 'unit'.",
    ):
        return None
    if is_stated:
        return ErrorModel(wire.sd or 0.0, wire.relative_sd or 0.0)
    return tried(lambda: precision_from_duplicates(wire.duplicates), (*where, "duplicates"), ledger)


def tried(make: Callable[[], T], where: Where, ledger: Ledger) -> T | None:
    """Give what is made, or take note of why it cannot be."""
    try:
        return make()
    except UnusableErrorInput as fault:
        ledger.note(
            where,
            "unusable-error-input",
            fault.what,
            "Correct it, or state the standard deviation as 'sd'.",
        )
        return None
