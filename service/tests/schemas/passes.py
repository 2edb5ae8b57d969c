"""Passes on the wire: what was fed, how the machine was set, and the trays that came of it."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from service.kit.fields import Name, Wire

from .settings import SettingsObject
from .weights import LossObject, LotObject, SizedLotObject

Kind = Literal[
    "magnetic",
    "electrostatic",
    "gravity",
    "screening",
    "desliming",
    "heavy liquid",
    "scalping",
    "splitting",
    "other",
]

KINDS: tuple[str, ...] = get_args(Kind)
"""What a pass can be."""

Note = Annotated[str, Field(strict=True, max_length=2000)]


class FedObject(LotObject):
    """
    A part of a lot that was fed to a pass.

    Its name alone says that the whole of it was fed.
    """

    of: Name = Field(
        description="Name of a head, or of a product of an earlier pass.", examples=["head"]
    )
    rest: bool = Field(
        default=False,
        strict=True,
        description="Whether this was all that was left of the lot. Otherwise what no pass took of "
        "it was kept.",
        examples=[True],
    )
    whole: bool = Field(
        default=False,
        strict=True,
        description="Whether this is the whole of the lot, as its name alone says.",
        examples=[True],
    )


class _OrNames:
    """Marks in the contract the short ways to say what was fed."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Give a name, a part, or a list of either."""
        listed = handler(core_schema)
        one = {"anyOf": [{"type": "string"}, listed["items"]]}
        return {"anyOf": [*one["anyOf"], {**listed, "items": one}]}


def _one_as_object(given: Any) -> Any:  # noqa: ANN401 - any JSON value
    return {"of": given, "whole": True} if isinstance(given, str) else given


def _as_list(given: Any) -> Any:  # noqa: ANN401 - any JSON value
    if given is None:
        return []
    return [_one_as_object(one) for one in (given if isinstance(given, list) else [given])]


FedEntry = Annotated[list[FedObject], BeforeValidator(_as_list), _OrNames()]


class ProductObject(SizedLotObject):
    """A tray: a product of a pass, or a loss that is known of."""

    name: Name = Field(
        description="What is written on the tray, unlike any other's on the sheet.",
        examples=["mag 1"],
    )
    magnetic: bool | None = Field(
        default=None,
        strict=True,
        description="Whether it is what the magnet took.",
        examples=[True],
    )
    loss: LossObject | None = Field(
        default=None,
        description="Instead of a weight, for what nobody could collect: the loss to expect.",
        examples=[{"expected": 20, "sd": 10}],
    )
    kept: LotObject | None = Field(
        default=None,
        description="Where parts of it were fed on: what was weighed or assayed of what was kept.",
        examples=[{"net": 210.4}],
    )
    note: Note | None = Field(
        default=None, description="Anything else about the tray.", examples=["slightly reddish"]
    )


class PassObject(Wire):
    """One pass over a machine, or a step of preparation."""

    name: Name | None = Field(
        default=None,
        description="Name of the pass; left out, it goes by its number, as in 'pass 2'.",
        examples=["medium field"],
    )
    kind: Kind = Field(
        default="other",
        description="What was done. The parts of 'splitting' have the grades of what was split.",
        examples=["magnetic"],
    )
    fed: FedEntry = Field(
        default=[],
        description="What was fed: the name of a head or of a product of an earlier pass, a list "
        "of such names (trays that were combined), or an object where it was a part of one.",
        examples=["head"],
    )
    feed: LotObject | None = Field(
        default=None,
        description="What was weighed or assayed of all that was fed, as it went in.",
        examples=[{"net": 431.2}],
    )
    settings: SettingsObject = Field(
        default=SettingsObject(),
        description="How the machine was set.",
        examples=[{"field": {"value": 0.35, "unit": "T"}, "gap": {"value": 4, "unit": "mm"}}],
    )
    products: list[ProductObject] = Field(
        default=[],
        description="The trays, in the order in which they are to be told of.",
        examples=[[{"name": "mag 1", "net": 404.7}, {"name": "rest 1", "net": 1863.8}]],
    )
    note: Note | None = Field(
        default=None, description="Anything else about the pass.", examples=["belt cleaned twice"]
    )
