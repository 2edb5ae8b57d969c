"""From what the schema finds wrong to faults with a place, a code and advice."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from reconcile.faults import Fault, Where

from .strict_json import clean
from .units import advice_on

_SD_MEMBERS = frozenset({"sd", "relative_sd"})
_UNIT_MEMBERS = frozenset({"unit", "mass_unit"})

Advice = Mapping[str, tuple[str, str]]
"""For members that people try and that are not taken: what to say and what to do."""


@dataclass(frozen=True, slots=True)
class _Slip:
    """One finding of the schema, with what stands at its place in the request."""

    where: Where
    found: Any
    context: dict[str, Any]
    known: tuple[str, ...]
    example: str | None
    advice: Advice

    @property
    def member(self) -> str:
        return str(self.where[-1]) if self.where else "the request"


Telling = tuple[str, str, str]


def describe(value: object) -> str:
    """Say what kind of JSON value stands somewhere, without repeating it."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    for kind, words in ((str, "text"), (dict, "an object"), (list, "a list")):
        if isinstance(value, kind):
            return words
    return "a number"


def _missing(slip: _Slip) -> Telling:
    such = f", for example {slip.example}" if slip.example else ""
    return "missing-field", f"The member '{slip.member}' is missing.", f"Add it{such}."


def _unknown(slip: _Slip) -> Telling:
    name = clean(slip.member)[:40]
    if name in slip.advice:
        return ("unknown-field", *slip.advice[name])
    close = difflib.get_close_matches(name, slip.known, n=2, cutoff=0.6)
    hint = f"Did you mean {' or '.join(repr(c) for c in close)}? " if close else ""
    return (
        "unknown-field",
        f"There is no member '{name}' here.",
        f"{hint}Known members: {', '.join(slip.known)}.",
    )


def _not_a_number(slip: _Slip) -> Telling:
    mend = {
        str: "Write the number without quotes.",
        bool: "Write a number, not a truth value.",
    }.get(type(slip.found), "Write a number.")
    return "not-a-number", f"A number belongs here, not {describe(slip.found)}.", mend


def _not_whole(slip: _Slip) -> Telling:
    found = describe(slip.found) if not isinstance(slip.found, float) else f"{slip.found:.6g}"
    return "not-a-whole-number", f"A whole number belongs here, not {found}.", "Write an integer."


def _not_a_truth_value(slip: _Slip) -> Telling:
    return (
        "not-a-truth-value",
        f"True or false belongs here, not {describe(slip.found)}.",
        "Write true or false, without quotes.",
    )


def _not_text(slip: _Slip) -> Telling:
    return (
        "not-text",
        f"Text belongs here, not {describe(slip.found)}.",
        "Write it in quotes.",
    )


def _not_a_list(slip: _Slip) -> Telling:
    return (
        "not-a-list",
        f"A list belongs here, not {describe(slip.found)}.",
        "Put it in square brackets, even where there is only one.",
    )


def _not_an_object(slip: _Slip) -> Telling:
    return (
        "not-an-object",
        f"An object belongs here, not {describe(slip.found)}.",
        f"Write it in braces, with the members {', '.join(slip.known)}."
        if slip.known
        else "Write it in braces, with its members by name.",
    )


def _not_a_map(slip: _Slip) -> Telling:
    return (
        "not-an-object",
        f"An object belongs here, not {describe(slip.found)}.",
        "Write it in braces, each entry by its name.",
    )


def _out_of_range(slip: _Slip) -> Telling:
    if slip.member in _SD_MEMBERS and "ge" in slip.context:
        return (
            "bad-sd",
            f"The standard deviation is negative ({slip.found:.6g}).",
            "Give a standard deviation of zero (fixes the value) or more.",
        )
    bounds = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    said = " and ".join(f"{w} {slip.context[k]:g}" for k, w in bounds.items() if k in slip.context)
    return (
        "number-out-of-range",
        f"The number {slip.found:.6g} is out of range.",
        f"It must be {said}. Check the unit and the exponent.",
    )


def _not_a_choice(slip: _Slip) -> Telling:
    choices = str(slip.context.get("expected", "")).replace("'", "").replace(" or ", ", ")
    if slip.member not in _UNIT_MEMBERS:
        return "unknown-word", "The word is not one of those known here.", f"Use {choices}."
    found = slip.found if isinstance(slip.found, str) else ""
    hint = advice_on(found, choices.split(", "))
    shown = f"'{clean(found)[:20]}'" if found else describe(slip.found)
    return (
        "unknown-unit",
        f"The unit {shown} is not known here.",
        f"{hint} Known units: {choices}.".lstrip(),
    )


def _own(code: str) -> Callable[[_Slip], Telling]:
    return lambda slip: (code, str(slip.context["what"]), str(slip.context["mend"]))


def _text_too_long(slip: _Slip) -> Telling:
    return (
        "text-too-long",
        f"The text has {len(slip.found)} characters.",
        f"Use {slip.context.get('max_length')} characters at most.",
    )


def _list_length(slip: _Slip) -> Telling:
    count = len(slip.found) if isinstance(slip.found, list) else 0
    least, most = slip.context.get("min_length"), slip.context.get("max_length")
    if least is not None:
        return "too-few-entries", f"The list has {count} entries.", f"Give {least} or more."
    return "too-many-entries", f"The list has {count} entries.", f"Give {most} at most."


_TELLERS: dict[str, Callable[[_Slip], Telling]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "float_type": _not_a_number,
    "finite_number": _not_a_number,
    "int_type": _not_whole,
    "int_from_float": _not_whole,
    "bool_type": _not_a_truth_value,
    "string_type": _not_text,
    "string_too_long": _text_too_long,
    "list_type": _not_a_list,
    "too_short": _list_length,
    "too_long": _list_length,
    "model_type": _not_an_object,
    "dict_type": _not_a_map,
    "greater_than": _out_of_range,
    "greater_than_equal": _out_of_range,
    "less_than": _out_of_range,
    "less_than_equal": _out_of_range,
    "literal_error": _not_a_choice,
}


def _step(value: object, part: str | int) -> tuple[bool, object]:
    if isinstance(value, dict) and part in value:
        return True, value[part]
    if isinstance(value, list) and isinstance(part, int) and part < len(value):
        return True, value[part]
    return False, None


def locate(document: object, where: Where) -> tuple[Where, object]:
    """
    Follow a path as far as the document goes, and give what stands there.

    A plain string may stand for an object with that name, an object for a list of one, and a list
    for an object that holds it; the schema then points at a member ``name``, a position, or the
    member of the list, which the document does not have.
    """
    value, found = document, list[str | int]()
    for i, part in enumerate(where):
        there, inner = _step(value, part)
        if there:
            value = inner
            found.append(part)
        elif isinstance(value, dict) and not isinstance(part, int):
            return (*found, *where[i:]), None
        elif not isinstance(value, dict) and not (isinstance(value, list) and value):
            break
    return tuple(found), value


def _model_at(root: type[BaseModel], where: Where) -> type[BaseModel] | None:
    model: type[BaseModel] | None = root
    named = False  # whether the next member is a name of the caller's, as that of an assay
    for part in where:
        if isinstance(part, int) or named:
            named = False
            continue
        named = _is_map(model, part)
        model = _model_of_member(model, part)
        if model is None:
            return None
    return model


def _model_of_member(model: type[BaseModel] | None, member: str) -> type[BaseModel] | None:
    if model is None:
        return None
    for name, field in model.model_fields.items():
        if member == (field.alias or name):
            return _first_model(field.annotation)
    return None


def _is_map(model: type[BaseModel] | None, member: str) -> bool:
    """Say whether a member holds entries by names that the caller chooses."""
    fields = model.model_fields.items() if model is not None else ()
    return any(
        get_origin(field.annotation) is dict and member == (field.alias or name)
        for name, field in fields
    )


def _first_model(annotation: Any) -> type[BaseModel] | None:  # noqa: ANN401 - a type form
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _first_model(inner)
        if found is not None:
            return found
    return None


def _members(model: type[BaseModel] | None) -> tuple[str, ...]:
    if model is None:
        return ()
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _example(model: type[BaseModel] | None, member: object) -> str | None:
    if model is None:
        return None
    for name, field in model.model_fields.items():
        if (field.alias or name) == member and field.examples:
            example = field.examples[0]
            shown = f'"{example}"' if isinstance(example, str) else f"{example}"
            return f'"{member}": {shown}' if not isinstance(example, list | dict) else None
    return None


def _fault(error: ErrorDetails, document: object, root: type[BaseModel], advice: Advice) -> Fault:
    where, found = locate(document, error["loc"])
    holder = where if error["type"] == "model_type" else where[:-1]
    model = _model_at(root, holder)
    slip = _Slip(
        where=where,
        found=found,
        context=error.get("ctx", {}),
        known=_members(model),
        example=_example(model, where[-1] if where else None),
        advice=advice,
    )
    if {"what", "mend"} <= slip.context.keys():  # a validator of our own, which says it itself
        return Fault(where, *_own(error["type"])(slip))
    teller = _TELLERS.get(error["type"])
    if teller is None:
        message = error["msg"]
        return Fault(where, "not-valid", f"{message}.", "Compare it with the schema.")
    return Fault(where, *teller(slip))


def faults_of(
    error: ValidationError, document: object, root: type[BaseModel], advice: Advice
) -> list[Fault]:
    """
    Give the findings of the schema ``root`` on the document as faults.

    ``advice`` answers members that people try and that are not taken.
    """
    details = error.errors(include_url=False, include_input=False)
    return [_fault(one, document, root, advice) for one in details]
