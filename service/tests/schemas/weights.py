"""What was weighed and assayed of one lot: a head, a tray, a part of either."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError

from service.balances.schemas import CountsObject, ResultObject, Size
from service.kit.fields import Name, NotNegative, Positive, RelativeSd, Wire

_WORDS = ("trace", "not detected")


class OrResult:
    """Marks in the contract the short ways to write a result."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give a number, several, a word, null or the whole object."""
        return {
            "anyOf": [
                {"type": "number"},
                {"type": "array", "items": {"type": "number"}, "minItems": 1},
                {"type": "string", "enum": [*_WORDS]},
                {"type": "null"},
                handler(core_schema),
            ]
        }


def _as_result(given: Any) -> Any:  # noqa: ANN401 - any JSON value
    if given is None or (isinstance(given, int | float) and not isinstance(given, bool)):
        return {"value": given}
    if isinstance(given, list):
        return {"replicates": given}
    if not isinstance(given, str):
        return given
    if given in _WORDS:
        return {"result": given}
    text = given.strip()
    for sign, word in (("<", "below"), (">", "above")):
        if text.startswith(sign):
            mend = f'Write {{"{word}": {text[1:].strip() or "..."}}}, the number without quotes.'
            raise _no_result(mend)
    raise _no_result(f"Write the number without quotes, or one of: {', '.join(_WORDS)}.")


def _no_result(mend: str) -> PydanticCustomError:
    what = "A result belongs here, not text."
    return PydanticCustomError("not-a-result", "{what}", {"what": what, "mend": mend})


AssayEntry = Annotated[ResultObject, BeforeValidator(_as_result), OrResult()]
"""A number, a list of replicates, 'trace', 'not detected', null, or an object that says more."""


class WeighingObject(Wire):
    """One weighing, gross or of a tare."""

    value: NotNegative = Field(
        description="What the balance showed, in the sheet's mass unit.", examples=[517.3]
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Its standard deviation; left out, that of 'errors.weighing'.",
        examples=[0.1],
    )
    relative_sd: RelativeSd | None = Field(
        default=None, description="The same as a fraction of the value.", examples=[0.0005]
    )


class _OrNumber:
    """Marks in the contract that a number may stand for the whole object."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give either the number or the object."""
        return {"anyOf": [{"type": "number"}, handler(core_schema)]}


class _OrNumberOrName:
    """Marks in the contract that a number or a name may stand for the whole object."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give the number, the name or the object."""
        return {"anyOf": [{"type": "number"}, {"type": "string"}, handler(core_schema)]}


def _as_weighing(given: Any) -> Any:  # noqa: ANN401 - any JSON value
    is_number = isinstance(given, int | float) and not isinstance(given, bool)
    return {"value": given} if is_number else given


class TareEntryObject(Wire):
    """A tare: weighed for this tray, or one that several trays share."""

    value: NotNegative | None = Field(
        default=None,
        description="What the empty tray weighed, in the sheet's mass unit.",
        examples=[112.6],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Its standard deviation; left out, that of 'errors.weighing'.",
        examples=[0.1],
    )
    relative_sd: RelativeSd | None = Field(
        default=None, description="The same as a fraction of the value.", examples=[0.0005]
    )
    shared: Name | None = Field(
        default=None,
        description="Instead of 'value': the name of one of the sheet's 'tares', weighed once for "
        "several trays; all of them share its error.",
        examples=["steel trays"],
    )


def _as_tare(given: Any) -> Any:  # noqa: ANN401 - any JSON value
    return {"shared": given} if isinstance(given, str) else _as_weighing(given)


WeighingEntry = Annotated[WeighingObject, BeforeValidator(_as_weighing), _OrNumber()]
TareEntry = Annotated[TareEntryObject, BeforeValidator(_as_tare), _OrNumberOrName()]


class LotObject(Wire):
    """What was weighed and assayed; weights are of dry material."""

    net: AssayEntry | None = Field(
        default=None,
        description="Net weight, in the sheet's mass unit: a number, or a list of repeated "
        "weighings. Leave it out, or give null, where nothing was weighed: the balance finds it.",
        examples=[1863.8],
    )
    gross: WeighingEntry | None = Field(
        default=None,
        description="Instead of 'net': the weight with the tray. Its error and that of the tare "
        "add in squares.",
        examples=[517.3],
    )
    tare: TareEntry | None = Field(
        default=None,
        description="With 'gross': the weight of the empty tray, or the name of one of 'tares' "
        "that was weighed once for several trays and brings them an error in common.",
        examples=[112.6],
    )
    assays: dict[Name, AssayEntry] = Field(
        default={},
        description="Assays by the name of a component or an analyte: a number, a list of "
        "replicates, 'trace' or 'not detected', null where it was not assayed, or an object that "
        "says more ('below', 'above', 'sd', 'unit', ...).",
        examples=[{"Sn": 0.61, "TiO2": [38.1, 38.3, 38.2], "ThO2": {"below": 50}}],
    )


class BySizeObject(Wire):
    """What a screen analysis says of some size classes of a lot."""

    size: Size = Field(
        description="The size classes, by apertures of the sheet's 'sizes'.",
        examples=[{"passing": 63}],
    )
    share: AssayEntry | None = Field(
        default=None,
        description="Their share of the weight, in % unless it says otherwise.",
        examples=[{"value": 21.4, "sd": 0.5}],
    )
    assays: dict[Name, AssayEntry] = Field(
        default={},
        description="Assays of these classes alone, of components that are followed by size.",
        examples=[{"Sn": 1.9}],
    )


class SizedLotObject(LotObject):
    """A lot that may have been screened for its sizes, or its grains counted, as well."""

    by_size: list[BySizeObject] = Field(
        default=[],
        description="Its screen analysis, where the sheet follows 'sizes'.",
        examples=[[{"size": {"passing": 63}, "share": 21.4, "assays": {"Sn": 1.9}}]],
    )
    counts: CountsObject | None = Field(
        default=None,
        description="Grains of minerals counted under a microscope.",
        examples=[
            {
                "basis": "number",
                "grains": [{"of": "ilmenite", "count": 310}, {"of": "zircon", "count": 90}],
            }
        ],
    )


class LossObject(Wire):
    """What is known beforehand of a loss that nobody weighed."""

    expected: NotNegative = Field(
        description="The loss to expect, in the sheet's mass unit.", examples=[20]
    )
    sd: Positive = Field(description="Its standard deviation, in the same.", examples=[10])
    like_feed: RelativeSd | None = Field(
        default=0.3,
        gt=0,
        description="How far its grades may be from those of what was fed, as a fraction of them; "
        "null where it may be anything, which leaves the grades of this pass less checked.",
        examples=[0.3],
    )
