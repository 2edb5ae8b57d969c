"""What needs care, on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.kit.replies import Out

from .performance import Figure

Rule = Literal["each nuclide", "sum of fractions"]

_ACTIVITY = {"value": 4.31, "sd": 0.07, "class": "observable", "unit": "Bq/g"}
_NUCLIDE: dict[str, Any] = {
    "nuclide": "Th-232",
    "counted_in": ["ThO2"],
    "activity": _ACTIVITY,
    "below": None,
    "chance": 1.0,
}
_STANDING: dict[str, Any] = {
    "rule": "each nuclide",
    "level": 1.0,
    "chance": 1.0,
    "in_words": "virtually certain",
}
_STREAM: dict[str, Any] = {
    "stream": "mag 2",
    "nuclides": [_NUCLIDE],
    "together": _ACTIVITY,
    "exemption": _STANDING,
    "transport": _STANDING | {"rule": "sum of fractions", "level": 10.0, "chance": 0.02},
    "statement": "'mag 2': Th-232 4.310 ± 0.074 Bq/g, U-238 not followed.",
}
_CAUTION: dict[str, Any] = {
    "topic": "strong magnets",
    "streams": [],
    "text": "Strong magnets stop pacemakers and other implants and crush fingers.",
}


class NuclideFigure(Out):
    """The activity concentration of one parent nuclide in the dry solids of a stream."""

    nuclide: str = Field(
        description="The nuclide, 'Th-232' or 'U-238'; its chain is taken to be in equilibrium "
        "with it.",
        examples=["Th-232"],
    )
    counted_in: list[str] = Field(
        description="The components or analytes that the element is counted in; empty where it "
        "is followed in none.",
        examples=[["ThO2"]],
    )
    activity: Figure = Field(
        description="Activity concentration, Bq per gram of dry solids. Uranium is natural "
        "uranium.",
        examples=[_ACTIVITY],
    )
    below: float | None = Field(
        description="Where it was read below a limit in this stream: the activity at that limit, "
        "Bq/g.",
        examples=[0.18],
    )
    chance: float | None = Field(
        description="Probability that it lies above the level of the exemption, its error being "
        "normal, cut at zero and held by what was read below a limit; null where it is not known.",
        examples=[0.98],
    )


class Standing(Out):
    """How a stream stands beside a level."""

    rule: Rule = Field(
        description="'each nuclide' by itself, or the 'sum of fractions' of the level.",
        examples=["each nuclide"],
    )
    level: float = Field(description="The level of each nuclide, Bq/g.", examples=[1.0])
    chance: float | None = Field(
        description="Probability that the level is exceeded, by errors of reading alone; by 'each "
        "nuclide' the larger of the two, where one is known. Null where nothing is known.",
        examples=[0.98],
    )
    in_words: str | None = Field(
        description="The same in words: 'virtually certain' from 99 %, 'very likely' from 90 %, "
        "'likely' from 66 %, 'about as likely as not' from 33 %, 'unlikely' from 10 %, 'very "
        "unlikely' from 1 %, else 'exceptionally unlikely'.",
        examples=["very likely"],
    )


class StreamActivity(Out):
    """Thorium and uranium of one stream by their activity."""

    stream: str = Field(description="Name of the stream.", examples=["mag 2"])
    nuclides: list[NuclideFigure] = Field(description="Th-232 and U-238.", examples=[[_NUCLIDE]])
    together: Figure = Field(
        description="Their sum, Bq/g; over a level common to both, the sum of fractions of it.",
        examples=[_ACTIVITY],
    )
    exemption: Standing = Field(
        description="Beside 1 Bq/g of each nuclide of the uranium and thorium series.",
        examples=[_STANDING],
    )
    transport: Standing = Field(
        description="Beside ten times that, for the transport of natural material and ores; only "
        "if it is not to be processed for use of these nuclides.",
        examples=[_STANDING],
    )
    statement: str = Field(description="The same in words.", examples=[_STREAM["statement"]])


class Caution(Out):
    """A caution that applies, in words a customer can read."""

    topic: Literal[
        "radioactivity",
        "silica dust",
        "strong magnets",
        "high voltage",
        "heavy liquids",
        "certificates",
    ] = Field(description="What it is about.", examples=["strong magnets"])
    streams: list[str] = Field(
        description="The streams that it is about, where it is about some.", examples=[["mag 2"]]
    )
    text: str = Field(description="The caution.", examples=[_CAUTION["text"]])


class Care(Out):
    """What needs care. Nothing of it is a licence, a classification or a certificate."""

    radioactivity: list[StreamActivity] = Field(
        description="Thorium and uranium of each stream, where either is followed.",
        examples=[[_STREAM]],
    )
    cautions: list[Caution] = Field(description="The cautions that apply.", examples=[[_CAUTION]])
    sources: list[str] = Field(
        description="Where levels and constants come from.",
        examples=[["IAEA, GSR Part 3 (2014), Schedule I, Table I.3."]],
    )


CARE_EXAMPLE: dict[str, Any] = {
    "radioactivity": [_STREAM],
    "cautions": [_CAUTION],
    "sources": ["IAEA, GSR Part 3 (2014), Schedule I, Table I.3."],
}
