"""The reply to a test sheet on the wire: the balance, and what each pass took and made."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.balances.reply import Amount, BalanceReply, Out, Share
from service.balances.reply.parts import SHARE_EXAMPLE

from .schemas import SampleObject, SettingsObject

_AMOUNT_EXAMPLE = {"value": 404.9, "sd": 0.5, "class": "redundant", "unit": "g"}
_FED_EXAMPLE: dict[str, Any] = {
    "lot": "head",
    "stream": "head",
    "role": "head",
    "mass": _AMOUNT_EXAMPLE,
}
_PRODUCT_EXAMPLE: dict[str, Any] = {
    "lot": "mag 1",
    "stream": "mag 1",
    "role": "product",
    "magnetic": True,
    "mass": _AMOUNT_EXAMPLE,
    "of_feed": SHARE_EXAMPLE,
    "note": None,
}
_CLOSURE_EXAMPLE: dict[str, Any] = {
    "of": "mass",
    "fed": 2499.9,
    "made": 2479.4,
    "difference": -20.5,
    "sd": 1.9,
    "standardised": -10.8,
    "unit": "g",
    "statement": "Of 2499.9 g fed, 2479.4 g came out: 20.5 ± 1.9 g less (10.8 sd).",
}


class StreamRole(Out):
    """What a stream of the balance is in the words of the sheet."""

    stream: str = Field(description="Name of the stream.", examples=["rest 1"])
    role: Literal["head", "product", "loss", "part", "kept", "feed"] = Field(
        description="'head'; 'product' or 'loss' of a pass; 'part' of a lot that a pass took; what "
        "was 'kept' of a lot of which parts were fed; or all of the 'feed' of a pass.",
        examples=["product"],
    )
    lot: str | None = Field(
        description="The head or tray that it is of; null for a feed put together.",
        examples=["rest 1"],
    )
    run: str | None = Field(
        validation_alias="pass",
        serialization_alias="pass",
        description="The pass that made it, or that takes it; null for a head and what is kept.",
        examples=["pass 1"],
    )


class PassFed(Out):
    """What a pass took of one lot."""

    lot: str | None = Field(description="The head or tray.", examples=["head"])
    stream: str = Field(description="Name of its stream in the balance.", examples=["head"])
    role: str = Field(
        description="'head' or 'product' where all of it was fed, otherwise 'part'.",
        examples=["head"],
    )
    mass: Amount = Field(description="Its mass, reconciled.", examples=[_AMOUNT_EXAMPLE])


class PassProduct(Out):
    """What a pass made."""

    lot: str = Field(description="The tray, or the loss.", examples=["mag 1"])
    stream: str = Field(description="Name of its stream in the balance.", examples=["mag 1"])
    role: str = Field(description="'product' or 'loss'.", examples=["product"])
    magnetic: bool | None = Field(
        description="Whether it is what the magnet took; null where the sheet does not say.",
        examples=[True],
    )
    mass: Amount = Field(description="Its mass, reconciled.", examples=[_AMOUNT_EXAMPLE])
    of_feed: Share = Field(
        description="Its mass as a share of what the pass took.", examples=[SHARE_EXAMPLE]
    )
    note: str | None = Field(description="The note of the tray.", examples=["slightly reddish"])


class PassClosure(Out):
    """How far what was read of a pass adds up, before anything is reconciled."""

    of: str = Field(description="'mass' or the name of a component.", examples=["mass"])
    fed: float | None = Field(
        description="What was fed by the readings alone, in 'unit'; null where not all of it was "
        "read.",
        examples=[2499.9],
    )
    made: float | None = Field(description="What came out, likewise.", examples=[2479.4])
    difference: float | None = Field(
        description="What came out less what was fed, in 'unit'.", examples=[-20.5]
    )
    sd: float | None = Field(
        description="Standard deviation of the difference, shared errors included.", examples=[1.9]
    )
    standardised: float | None = Field(
        description="The difference in units of its sd.", examples=[-10.8]
    )
    unit: str = Field(description="Unit of the masses.", examples=["g"])
    statement: str = Field(
        description="The same in words.", examples=[_CLOSURE_EXAMPLE["statement"]]
    )


class PassResult(Out):
    """A pass: how it was set, what it took and made, and how it closed."""

    name: str = Field(
        description="Name of the pass, which is that of its node.", examples=["pass 1"]
    )
    kind: str = Field(description="What was done.", examples=["magnetic"])
    settings: SettingsObject = Field(
        description="How the machine was set; what is not known is null.",
        examples=[{"gap": {"value": 4, "unit": "mm"}}],
    )
    note: str | None = Field(description="The note of the pass.", examples=["belt cleaned twice"])
    fed: list[PassFed] = Field(description="What it took.", examples=[[_FED_EXAMPLE]])
    products: list[PassProduct] = Field(description="What it made.", examples=[[_PRODUCT_EXAMPLE]])
    closure: list[PassClosure] = Field(
        description="How it closes by the readings alone: the weights, then each component that "
        "was assayed of everything.",
        examples=[[_CLOSURE_EXAMPLE]],
    )


class TestReply(BalanceReply):
    """A reconciled test: the balance, and the test in its own words."""

    __test__ = False  # no class of tests

    sample: SampleObject | None = Field(
        description="The words about the sample.", examples=[{"client": "An invented customer"}]
    )
    passes: list[PassResult] = Field(
        description="The passes, in the order of the sheet.",
        examples=[
            [
                {
                    "name": "pass 1",
                    "kind": "magnetic",
                    "settings": {"gap": {"value": 4, "unit": "mm"}},
                    "note": None,
                    "fed": [_FED_EXAMPLE],
                    "products": [_PRODUCT_EXAMPLE],
                    "closure": [_CLOSURE_EXAMPLE],
                }
            ]
        ],
    )
    lots: list[StreamRole] = Field(
        description="What each stream is in the words of the sheet, in the order of 'streams'.",
        examples=[[{"stream": "rest 1", "role": "product", "lot": "rest 1", "pass": "pass 1"}]],
    )
    balance_request: dict[str, Any] = Field(
        description="The request for the same balance that /v1/balances takes, to go on with.",
        examples=[{"flowsheet": {"nodes": ["pass 1"], "streams": []}, "readings": []}],
    )
