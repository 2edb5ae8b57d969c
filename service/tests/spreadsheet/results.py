"""
What a laboratory writes into a cell, and what it means.

A number, with its sd behind '±' where it has one of its own; replicates parted by semicolons;
'<0.05' and '>60'; 'n.d.' and 'trace'; each with a unit behind it where that is not the heading's.
What could be read in two ways is refused, with both ways named.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from service.kit import strict_json
from service.kit.strict_json import clean
from service.kit.units import UNITS

from .grid import Broken, Value

_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_COMMA = re.compile(r"([+-]?)(\d*),(\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([ ,.'\u00a0\u2009\u202f\u2019]\d{3})+([.,]\d+)?", re.ASCII)
_DIGITS_OF_THOUSANDS = 3
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_LIMIT = re.compile(r"([<>])\s*(.+)")
_WITH_UNIT = re.compile(r"(.*[\d.])\s*([^\d\s.;±<>+-].*)")

_NOT_DETECTED = frozenset({"n.d.", "n.d", "nd", "not detected", "b.d.l.", "bdl"})
_TRACE = frozenset({"trace", "traces", "tr", "tr."})
_UNCLEAR = frozenset({"-", "--", "\N{EN DASH}", "\N{EM DASH}", "n.a.", "na", "n/a", "#n/a", "?"})
_LONGEST_SHOWN = 24


@dataclass(frozen=True, slots=True)
class Telling(Exception):
    """Why a cell cannot be read, and how to mend it."""

    code: str
    what: str
    mend: str


def shown(value: Value) -> str:
    """Show a little of what stands in a cell."""
    text = clean(str(value))
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def text_of(value: Value) -> str:
    """
    Give the text of a cell, numbers as they are shown: a tray may be called 7.

    Raises
    ------
    Telling
        where the cell has no value.
    """
    if isinstance(value, Broken):
        raise Telling(value.code, value.what, value.mend)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime) and value.time() == time():
        return value.date().isoformat()
    if isinstance(value, date | datetime):
        return value.isoformat()
    return str(value)


def number_of(value: Value, *, decimal_comma: bool) -> float:
    """
    Give the number that a cell holds, as a number or as text.

    Raises
    ------
    Telling
        where it holds none, or one that could be read in two ways.
    """
    if isinstance(value, Broken):
        raise Telling(value.code, value.what, value.mend)
    if isinstance(value, date | datetime | time | timedelta):
        raise Telling(
            "date-for-number",
            f"The cell holds the date or time {text_of(value)}, not a number: the program has made "
            "one of what was typed.",
            "Format the cell as a number, then write the number again.",
        )
    if isinstance(value, bool):
        raise Telling("not-a-number", "A number belongs here, not yes or no.", "Write a number.")
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise Telling("number-too-large", "The number is too large.", "Check the exponent.")
        return value
    return _number_in(value.strip().replace("\N{MINUS SIGN}", "-"), decimal_comma)


def _number_in(text: str, decimal_comma: bool) -> float:
    if _PLAIN.fullmatch(text):
        return _read(text)
    comma = _COMMA.fullmatch(text)
    if comma is not None:
        whole, after = comma[2], comma[3]
        could_be_thousands = (
            not decimal_comma
            and len(after) == _DIGITS_OF_THOUSANDS
            and 0 < len(whole) <= _DIGITS_OF_THOUSANDS
            and not whole.startswith("0")
        )
        if not could_be_thousands:
            return _read(text.replace(",", "."))
        raise Telling(
            "unclear-comma",
            f"'{shown(text)}' could be {text.replace(',', '.')} or {text.replace(',', '')}.",
            "Write it as a number, with a decimal point and without thousands marks.",
        )
    if _THOUSANDS.fullmatch(text):
        raise Telling(
            "thousands-mark",
            f"'{shown(text)}' has thousands marks.",
            "Write the number without them.",
        )
    raise Telling("not-a-number", f"'{shown(text)}' is not a number.", "Write a number.")


def _read(text: str) -> float:
    """Read digits as JSON would: whole numbers stay whole, and none is beyond a double."""
    text = text.lstrip("+")
    sign, digits = ("-", text[1:]) if text.startswith("-") else ("", text)
    mantissa, mark, exponent = digits.lower().partition("e")
    whole, point, part = mantissa.partition(".")
    written = sign + (whole.lstrip("0") or "0") + (f".{part or '0'}" if point else "")
    found = strict_json.read((written + mark + exponent).encode())
    if found.faults:
        fault = found.faults[0]
        raise Telling(fault.code, fault.what, fault.mend)
    number: float = found.value
    return number


def result_of(value: Value, *, decimal_comma: bool) -> Any:  # noqa: ANN401 - a JSON value
    """
    Give the result that a cell holds, as the JSON sheet writes it.

    Raises
    ------
    Telling
        where it cannot be read.
    """
    if not isinstance(value, str):
        return number_of(value, decimal_comma=decimal_comma)
    text = value.strip()
    if text.startswith(("{", "[")):
        return json_of(text)
    if text.lower() in _NOT_DETECTED:
        return {"result": "not detected"}
    if text.lower() in _TRACE:
        return {"result": "trace"}
    if text.lower() in _UNCLEAR:
        raise Telling(
            "unclear-word",
            f"'{shown(text)}' does not say whether it was not assayed or not found.",
            "Leave the cell blank where it was not assayed; write 'n.d.' or '<' with the detection "
            "limit where it was not found.",
        )
    return _with_unit(text, decimal_comma)


def json_of(text: str) -> Any:  # noqa: ANN401 - a JSON value
    """
    Give what a cell holds as JSON.

    Raises
    ------
    Telling
        where it is not JSON.
    """
    try:
        found = strict_json.read(text.encode("utf-8", "replace"))
    except strict_json.NotJsonError as error:
        raise Telling(
            "malformed-json",
            f"What begins with '{text[:1]}' is read as JSON, which this is not.",
            error.fault.mend,
        ) from error
    if found.faults:
        fault = found.faults[0]
        raise Telling(fault.code, fault.what, fault.mend)
    return found.value


def _with_unit(text: str, decimal_comma: bool) -> Any:  # noqa: ANN401 - a JSON value
    match = _WITH_UNIT.fullmatch(text)
    unit = match[2].strip() if match else None
    if match is not None and unit in UNITS:
        text = match[1].strip()
    else:
        unit = None
    found = _without_unit(text, decimal_comma)
    if unit is None:
        return found
    if isinstance(found, list):
        found = {"replicates": found}
    return {**(found if isinstance(found, dict) else {"value": found}), "unit": unit}


def _without_unit(text: str, decimal_comma: bool) -> Any:  # noqa: ANN401 - a JSON value
    def number(part: str) -> float:
        return _number_in(part.strip().replace("\N{MINUS SIGN}", "-"), decimal_comma)

    limit = _LIMIT.fullmatch(text)
    if limit is not None:
        return {{"<": "below", ">": "above"}[limit[1]]: number(limit[2])}
    if ";" in text:
        return [number(part) for part in text.split(";") if part.strip()]
    value, *sd = _PLUS_MINUS.split(text, maxsplit=1)
    if sd and value:
        return {"value": number(value), "sd": number(sd[0])}
    return number(text)


# --- the other way ------------------------------------------------------------------------------

_AS_TEXT = (
    (frozenset({"value", "sd"}), "{value} ± {sd}"),
    (frozenset({"below"}), "<{below}"),
    (frozenset({"above"}), ">{above}"),
    (frozenset({"value"}), "{value}"),
    (frozenset({"replicates"}), "{replicates}"),
)
_WORDS = {"not detected": "n.d.", "trace": "trace"}


def cell_of(result: Any) -> str | float:  # noqa: ANN401 - a JSON value
    """Write a result as a cell, such that :func:`result_of` reads the same."""
    cell = _plainly(result)
    if cell is not None and _reads_back(cell, result):
        return cell
    return json.dumps(result, ensure_ascii=False)


def _reads_back(cell: str | float, result: Any) -> bool:  # noqa: ANN401 - a JSON value
    try:
        return bool(result_of(cell, decimal_comma=False) == result)
    except Telling:
        return False


def _plainly(result: Any) -> str | float | None:  # noqa: ANN401 - a JSON value
    if isinstance(result, int | float) and not isinstance(result, bool):
        return result
    if isinstance(result, list):
        return _listed(result)
    if not isinstance(result, dict):
        return None
    if result.keys() == {"result"}:
        return _WORDS.get(result["result"])
    unit = result.get("unit")
    rest = {k: v for k, v in result.items() if k != "unit"}
    for members, form in _AS_TEXT:
        if rest.keys() == members:
            told = {
                k: _listed(v) if isinstance(v, list) else json.dumps(v) for k, v in rest.items()
            }
            text = form.format(**told)
            return text if unit is None else f"{text} {unit}"
    return None


def _listed(numbers: list[Any]) -> str:
    return "; ".join(map(json.dumps, numbers)) + (";" if len(numbers) == 1 else "")
