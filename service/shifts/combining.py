"""Several results of one instrument or analyte within a shift, made into one reading."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.balances.terms.results import FORMS
from service.kit.units import UNITS, Kind, convert
from service.mappings.schemas import Combine, MappingEntry

STATUSES = ("preliminary", "final", "umpire")
"""How far a result is settled, the least first; of one sample the most settled counts."""

_OWN_ERROR = ("sd", "relative_sd")
_ERRORS = (*_OWN_ERROR, "error_model")


@dataclass(frozen=True, slots=True)
class Result:
    """
    A result in the unit of its entry: a value, a limit that it is below or above, or a word.

    ``sd`` is the standard deviation that the source states, in the same unit; None where it leaves
    that to the mapping.
    """

    form: str
    value: float
    replicates: tuple[float, ...] | None
    word: str | None
    sd: float | None
    step: float | None


def result_of(body: dict[str, Any], unit: str, into: str) -> Result:
    """Give what a stored reading says, converted from its unit into that of its entry."""

    def inside(value: float) -> float:
        return convert(value, unit, into)

    form = next(form for form in FORMS if body.get(form) is not None)
    given = body[form]
    replicates = tuple(map(inside, given)) if form == "replicates" else None
    word = given if form == "result" else None
    value = (
        0.0 if word else inside(given) if replicates is None else math.fsum(replicates) / len(given)
    )
    parts = [] if body.get("sd") is None else [inside(body["sd"])]
    if body.get("relative_sd") is not None:
        parts.append(body["relative_sd"] * abs(value))
    step = body.get("step")
    return Result(
        form,
        value,
        replicates,
        word,
        math.hypot(*parts) if parts else None,
        None if step is None else inside(step),
    )


def rule_of(entry: MappingEntry, unit: str) -> Combine:
    """Give how several results of an entry combine."""
    if entry.combine is not None:
        return entry.combine
    if entry.reading.stock is not None:
        return "last"
    return "sum" if UNITS[unit].kind is Kind.MASS else "mean"


def reading_of(
    entry: MappingEntry, unit: str, results: Sequence[Result], hours: float
) -> dict[str, Any] | None:
    """
    Give the reading of a shift that these results make, in the order of their times.

    None where nothing can be said of all of them together: some are above a limit and some below.

    Parameters
    ----------
    entry
        what they are results of.
    unit
        their unit.
    results
        one or more of them.
    hours
        length of the shift, over which a rate is integrated.
    """
    rule = rule_of(entry, unit)
    reading = entry.reading.model_dump(mode="json", by_alias=True, exclude_unset=True)
    one = results[-1] if rule == "last" or len(results) == 1 else _together(results, rule)
    if one is None:
        return None
    factor = hours if rule == "integral" else 1.0
    reading["unit"] = unit.partition("/")[0] if rule == "integral" else unit
    if one.sd is not None:
        reading = {name: part for name, part in reading.items() if name not in _ERRORS}
        reading["sd"] = one.sd * factor
    if one.step is not None:
        reading["step"] = one.step * factor
    if one.word is not None:
        return reading | {"result": one.word}
    if one.replicates is not None:
        return reading | {"replicates": [value * factor for value in one.replicates]}
    return reading | {one.form: one.value * factor}


def lacks_error(reading: dict[str, Any]) -> str | None:
    """
    Say what a value is that its error cannot be a fraction of: 'zero' or 'negative'; else None.

    A weigher that stands still reads zero: no slip, but a relative error alone says nothing of it.
    """
    value = reading.get("value")
    if value is None or value > 0 or not reading.get("relative_sd"):
        return None
    if any(reading.get(name) for name in ("sd", "error_model", "step")):
        return None
    return "zero" if value == 0 else "negative"


def _together(results: Sequence[Result], rule: Combine) -> Result | None:
    """
    Give the sum or the mean of several results.

    A limit among them makes the whole one: what is at most so much in each is at most so much in
    sum and mean.  Words say nothing of how much, and stand only among their like.
    """
    if all(r.word is not None for r in results):
        return results[-1]
    counted = [r for r in results if r.word is None]
    forms = {r.form for r in counted} & {"below", "above"}
    if len(forms) > 1 or len(counted) < len(results):
        return None
    share = 1.0 if rule == "sum" else 1.0 / len(counted)
    value = math.fsum(r.value for r in counted) * share
    form = forms.pop() if forms else "value"
    sds = [r.sd for r in counted if r.sd is not None]
    sd = math.hypot(*sds) * share if len(sds) == len(counted) else None
    return Result(form, value, None, None, sd, None)
