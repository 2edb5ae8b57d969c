"""A tag mapping on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.balances.schemas import ReadingObject
from service.kit.fields import Name, Number, Wire
from service.kit.identifiers import Key
from service.versions.schemas import NewVersion, VersionHead

MOST_ENTRIES = 20_000
"""Most entries of a mapping; the largest plants have some thousand instruments."""

LONGEST_LAG_MINUTES = 7 * 24 * 60
"""Longest lag: a week, which outlasts any thickener or stockpile between stream and sampler."""

Combine = Literal["sum", "mean", "last", "integral"]


class ValidRange(Wire):
    """What the instrument or method can say; a value outside is kept, but not used."""

    low: Number | None = Field(
        default=None, description="Least value, in the unit of the reading.", examples=[0]
    )
    high: Number | None = Field(
        default=None, description="Greatest value, in the unit of the reading.", examples=[900]
    )


class MappingEntry(Wire):
    """
    What one instrument's tag, or one sample point and analyte, is a reading of.

    It has either 'tag', or 'sample_point' and 'analyte'.
    """

    tag: Name | None = Field(
        default=None, description="The instrument's tag.", examples=["WIT-101"]
    )
    sample_point: Name | None = Field(
        default=None, description="The laboratory's code of the sample point.", examples=["FEED-A"]
    )
    analyte: Name | None = Field(
        default=None, description="The laboratory's code of the analyte.", examples=["XRF_SN"]
    )
    flowsheet: Key | None = Field(
        default=None,
        description="Key of the flowsheet, where it is not that of the mapping.",
        examples=["main"],
    )
    reading: ReadingObject = Field(
        description="What it is a reading of, in which unit and with which errors: a reading as in "
        "a request for a balance, without its result, 'at' and 'period'. The errors are those of "
        "the figure of a whole shift; a 'relative_sd' alone says nothing of a zero, so give an "
        "'sd' too where one can be read.",
        examples=[{"stream": "feed", "of": "mass", "unit": "t", "relative_sd": 0.01}],
    )
    valid_range: ValidRange | None = Field(
        default=None,
        description="What it can say; a value outside is kept, but not used unless a person "
        "says so.",
        examples=[{"low": 0, "high": 900}],
    )
    lag_minutes: int = Field(
        default=0,
        ge=0,
        le=LONGEST_LAG_MINUTES,
        strict=True,
        description="How much later than in the stream the matter is met by instrument or sampler, "
        "in minutes; it is taken off the time of a result to find its shift.",
        examples=[20],
    )
    stamped: Literal["start", "end"] = Field(
        default="start",
        description="What the time of a result is: a moment or the 'start' of an interval, which "
        "belongs to the shift that starts then; or the 'end' of one, which belongs to the shift "
        "that ends then.",
        examples=["end"],
    )
    combine: Combine | None = Field(
        default=None,
        description="What several results within a shift make: their 'sum', their 'mean', the "
        "'last' of them, or, for a rate read in a flowsheet of masses, its 'integral' (the mean "
        "times the hours of the shift). Left out, 'sum' for masses and 'mean' for the rest.",
        examples=["sum"],
    )


_ENTRIES = [
    {
        "tag": "WIT-101",
        "reading": {"stream": "feed", "of": "mass", "unit": "g", "sd": 5},
        "valid_range": {"low": 0, "high": 5000},
        "stamped": "end",
    },
    {
        "sample_point": "FEED-A",
        "analyte": "XRF_SN",
        "reading": {"stream": "feed", "of": "Sn", "sd": 0.02, "relative_sd": 0.02},
        "valid_range": {"low": 0, "high": 79},
        "lag_minutes": 20,
    },
]


class MappingVersion(NewVersion):
    """A new version of the tag mapping."""

    flowsheet: Key = Field(
        description="Key of the flowsheet that its streams are of.", examples=["main"]
    )
    entries: list[MappingEntry] = Field(
        max_length=MOST_ENTRIES,
        description="What each tag, or sample point and analyte, is a reading of.",
        examples=[_ENTRIES],
    )


class MappingReply(VersionHead):
    """A version of the tag mapping."""

    flowsheet: Key = Field(
        description="Key of the flowsheet that its streams are of.", examples=["main"]
    )
    entries: list[MappingEntry] = Field(
        description="What each tag, or sample point and analyte, is a reading of.",
        examples=[_ENTRIES],
    )


EXAMPLE: dict[str, Any] = {
    "valid_from": "2026-03-01T06:00:00+08:00",
    "note": "Invented data.",
    "flowsheet": "main",
    "entries": _ENTRIES,
}
