"""From one cell to the member of the JSON sheet that it stands for, by the kind of its column."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from .grid import Value
from .layout import Column
from .results import Telling, json_of, number_of, result_of, shown, text_of

_YES = frozenset({"yes", "y", "true"})
_NO = frozenset({"no", "n", "false"})
_NUMBER_AND_UNIT = re.compile(r"([+\-\N{MINUS SIGN}]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(\D.*)?")
_BEGINS_LIKE_A_NUMBER = re.compile(r"[\d.,+\-<>\N{MINUS SIGN}{]")


def entry_of(column: Column, value: Value, *, decimal_comma: bool) -> Any:  # noqa: ANN401 - JSON
    """
    Give what a cell says, as the JSON sheet writes it.

    Raises
    ------
    Telling
        where it cannot be read.
    """
    return _READERS[column.kind](column, value, decimal_comma)


def _text(column: Column, value: Value, _: bool) -> str:
    text = text_of(value)
    known = {choice.casefold(): choice for choice in column.choices}
    # A word that is no choice is left for the schema to refuse, which knows what to say.
    return text if text in column.choices else known.get(text.casefold(), text)


def _number(_: Column, value: Value, decimal_comma: bool) -> float:
    return number_of(value, decimal_comma=decimal_comma)


def _yes_or_no(_: Column, value: Value, __: bool) -> bool:
    word = text_of(value).casefold()
    if word in _YES | _NO:
        return word in _YES
    raise Telling("not-yes-or-no", f"'{shown(value)}' is neither yes nor no.", "Write yes or no.")


def _weight(_: Column, value: Value, decimal_comma: bool) -> Any:  # noqa: ANN401 - JSON
    return result_of(value, decimal_comma=decimal_comma)


def _tare(_: Column, value: Value, decimal_comma: bool) -> Any:  # noqa: ANN401 - JSON
    if isinstance(value, str) and not _BEGINS_LIKE_A_NUMBER.match(value):
        return value
    return result_of(value, decimal_comma=decimal_comma)


def _setting(column: Column, value: Value, decimal_comma: bool) -> Any:  # noqa: ANN401 - JSON
    if isinstance(value, str):
        if value.startswith("{"):
            return json_of(value)
        match = _NUMBER_AND_UNIT.fullmatch(value)
        if match is not None and match[2]:
            number = number_of(match[1], decimal_comma=decimal_comma)
            return {"value": number, "unit": match[2].strip()}
    return {"value": number_of(value, decimal_comma=decimal_comma), "unit": column.unit}


def _json(_: Column, value: Value, __: bool) -> Any:  # noqa: ANN401 - JSON
    return json_of(text_of(value))


_READERS: dict[str, Callable[[Column, Value, bool], Any]] = {
    "text": _text,
    "number": _number,
    "yes or no": _yes_or_no,
    "weight": _weight,
    "tare": _tare,
    "setting": _setting,
    "json": _json,
}
