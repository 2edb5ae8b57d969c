"""Field types of the wire that more than one resource uses: names and strict numbers."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, GetJsonSchemaHandler, JsonValue
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError

LONGEST_NAME = 80
"""Longest name of a stream, node or component, in characters."""

LARGEST_NUMBER = 1e12
"""
Largest size of a mass or assay.

A million million of anything is a slip of unit: the whole is 1e9 ppb, and the world's ore is
less than 1e12 t a year.
"""

LARGEST_RELATIVE_SD = 100.0
"""Largest relative sd: beyond ten thousand percent the reading says nothing; leave it out."""

# Characters that move text about on a screen and would let one name pass for another.
_DIRECTION_MARKS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_CONTROL_CATEGORIES = frozenset({"Cc", "Zl", "Zp"})


def is_control(character: str) -> bool:
    """Tell whether a character steers the display instead of showing something."""
    return character in _DIRECTION_MARKS or unicodedata.category(character) in _CONTROL_CATEGORIES


def _bad_name(what: str, mend: str) -> PydanticCustomError:
    return PydanticCustomError("bad-name", "{what}", {"what": what, "mend": mend})


def _checked_name(name: str) -> str:
    if not name.strip():
        raise _bad_name("The name is empty.", "Give a name with at least one visible character.")
    if len(name) > LONGEST_NAME:
        raise _bad_name(
            f"The name has {len(name)} characters.", f"Use {LONGEST_NAME} characters at most."
        )
    # What is printable steers nothing; most names are, and it is told at once.
    if not name.isprintable() and any(is_control(character) for character in name):
        raise _bad_name(
            "The name holds a control character.", "Take out tabs, line ends and the like."
        )
    if name != name.strip():
        raise _bad_name("The name begins or ends with a space.", "Take the outer spaces out.")
    return name


_LENGTH: dict[str, JsonValue] = {"minLength": 1, "maxLength": LONGEST_NAME}

Name = Annotated[
    str,
    AfterValidator(_checked_name),
    Field(strict=True, json_schema_extra=_LENGTH),
]

Number = Annotated[
    float, Field(strict=True, allow_inf_nan=False, ge=-LARGEST_NUMBER, le=LARGEST_NUMBER)
]

NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=LARGEST_NUMBER)]

RelativeSd = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=LARGEST_RELATIVE_SD)]

Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=LARGEST_NUMBER)]


class Wire(BaseModel):
    """An object of a request: unknown members are refused, so that no slip passes unseen."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)


def name_or_object(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Read a plain string as an object that has only this name."""
    return {"name": value} if isinstance(value, str) else value


class OrName:
    """Marks in the contract that a plain name may stand for the whole object."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give either the name or the object."""
        return {"anyOf": [{"type": "string", **_LENGTH}, handler(core_schema)]}
