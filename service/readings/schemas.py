"""Readings on the wire: lines as they are posted, outcomes, and readings as they stand."""

from __future__ import annotations

from typing import Any, Literal
from uuid import UUID

from pydantic import BaseModel, Field

from service.balances.schemas.readings import Word
from service.balances.schemas.words import ReadingUnit, Replicates
from service.kit.fields import Name, NotNegative, Number, Positive, RelativeSd, Wire
from service.kit.instants import Instant
from service.kit.paging import Links
from service.kit.problems import FaultEntry

LARGEST_VERSION = 2**31 - 1
"""Largest version number of a source; both databases hold it."""

Status = Literal["preliminary", "final", "umpire"]
Outcome = Literal["accepted", "repeated", "superseded", "parked", "rejected"]
Standing = Literal["current", "out-of-range", "unfit", "withdrawn", "parked"]

_STANDING_TEXT = (
    "'current' (used in balances), 'out-of-range' (outside the valid range of its tag: kept, not "
    "used unless a person says so), 'unfit' (in a unit that its tag cannot have), 'withdrawn' (the "
    "newest version has no value), 'parked' (no mapping knows the tag at that time; taken up as "
    "soon as one does)"
)
_VALUE_TEXT = "The value, in 'unit'; null withdraws the reading."


class Composite(Wire):
    """The time that a composite sample covers; shifts within count by their mass."""

    from_: Instant = Field(
        alias="from", description="Its beginning.", examples=["2026-03-01T06:00:00+08:00"]
    )
    to: Instant = Field(
        description="Its end, that time excluded.", examples=["2026-03-02T06:00:00+08:00"]
    )


class Content(Wire):
    """What a reading says; a new version may say something else."""

    status: Status = Field(
        default="final",
        description="'preliminary', 'final' or 'umpire' (of a third laboratory, on a dispute).",
        examples=["preliminary"],
    )
    value: Number | None = Field(default=None, description=_VALUE_TEXT, examples=[31.2])
    replicates: Replicates | None = Field(
        default=None,
        description="Instead of 'value': determinations of the same thing.",
        examples=[[31.2, 31.5]],
    )
    below: NotNegative | None = Field(
        default=None,
        description="Instead of 'value': the detection limit that the result is below.",
        examples=[0.05],
    )
    above: Positive | None = Field(
        default=None,
        description="Instead of 'value': the end of the range that the result is above.",
        examples=[60],
    )
    result: Word | None = Field(
        default=None,
        description="Instead of 'value': 'trace' or 'not detected'.",
        examples=["not detected"],
    )
    unit: ReadingUnit | None = Field(
        default=None,
        description="Its unit, where it is not that of the mapping.",
        examples=["%"],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="Standard deviation, in 'unit', where the source knows it better than the "
        "mapping.",
        examples=[0.4],
    )
    relative_sd: RelativeSd | None = Field(
        default=None, description="The same as a fraction of the value.", examples=[0.02]
    )
    step: Positive | None = Field(
        default=None, description="Step to which the value was printed.", examples=[0.1]
    )
    composite: Composite | None = Field(
        default=None,
        description="The time that the sample covers, where it is a composite of several shifts.",
        examples=[{"from": "2026-03-01T06:00:00+08:00", "to": "2026-03-02T06:00:00+08:00"}],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=500,
        description="Anything worth knowing about it.",
        examples=["Invented data."],
    )


class ReadingLine(Content):
    """
    One reading as its source sends it.

    It is known by source, tag or sample point and analyte, sample and time; a correction has the
    same and a higher version.
    """

    source: Name = Field(
        description="The system that it comes from.", examples=["plant data system"]
    )
    tag: Name | None = Field(
        default=None, description="The instrument's tag.", examples=["WIT-101"]
    )
    sample_point: Name | None = Field(
        default=None,
        description="Instead of 'tag', with 'analyte': the laboratory's code of the sample point.",
        examples=["FEED-A"],
    )
    analyte: Name | None = Field(
        default=None, description="The laboratory's code of the analyte.", examples=["Sn"]
    )
    sample: Name | None = Field(
        default=None,
        description="The sample, where several are taken at one point and time.",
        examples=["F-2217"],
    )
    time: Instant = Field(
        description="When it was measured or sampled, in RFC 3339 with an offset.",
        examples=["2026-03-01T18:00:00+08:00"],
    )
    version: int = Field(
        default=1,
        ge=0,
        le=LARGEST_VERSION,
        strict=True,
        description="Number of the version at its source; the highest counts.",
        examples=[1],
    )


LINE_EXAMPLE: dict[str, Any] = {
    "source": "plant data system",
    "tag": "WIT-101",
    "time": "2026-03-01T18:00:00+08:00",
    "value": 812.4,
}
ASSAY_EXAMPLE: dict[str, Any] = {
    "source": "site laboratory",
    "sample_point": "FEED-A",
    "analyte": "Sn",
    "time": "2026-03-01T12:00:00+08:00",
    "version": 2,
    "value": 31.2,
    "note": "Invented data.",
}


class Batch(Wire):
    """Readings, in any order, as many as the service takes."""

    readings: list[ReadingLine] = Field(
        min_length=1, description="The readings.", examples=[[LINE_EXAMPLE, ASSAY_EXAMPLE]]
    )


EXAMPLE: dict[str, Any] = {"readings": [LINE_EXAMPLE, ASSAY_EXAMPLE]}


class LineReply(BaseModel):
    """What became of one line."""

    line: int = Field(
        description="Number of the line in the body, from 1; in JSON, of the entry.", examples=[1]
    )
    outcome: Outcome = Field(
        description="'accepted' (stored, and the newest version), 'repeated' (stored before, "
        "word for word), 'superseded' (stored, but a newer version is there), 'parked' (stored, "
        "but its tag is not mapped yet), 'rejected' (not stored; the faults say why).",
        examples=["accepted"],
    )
    reading: UUID | None = Field(
        default=None,
        description="Id of the reading; null where the line was rejected.",
        examples=["0195a4a0-1c00-7a00-8000-000000000001"],
    )
    standing: Standing | None = Field(
        default=None,
        description=f"How the reading stands: {_STANDING_TEXT}.",
        examples=["current"],
    )
    faults: list[FaultEntry] = Field(
        default=[],
        description="What is wrong with a rejected line. In JSON the pointers are of the body, "
        "in NDJSON of the line's object, in CSV of the line with its columns as members.",
        examples=[[]],
    )


class BatchReply(BaseModel):
    """What became of a batch."""

    accepted: int = Field(description="How many lines were accepted.", examples=[2])
    repeated: int = Field(description="How many were stored before.", examples=[0])
    superseded: int = Field(description="How many have a newer version already.", examples=[0])
    parked: int = Field(description="How many have a tag that is not mapped yet.", examples=[0])
    rejected: int = Field(description="How many were not stored.", examples=[0])
    lines: list[LineReply] = Field(
        description="The lines, in order.",
        examples=[
            [
                {
                    "line": 1,
                    "outcome": "accepted",
                    "reading": "0195a4a0-1c00-7a00-8000-000000000001",
                    "standing": "current",
                    "faults": [],
                }
            ]
        ],
    )


class VersionReply(Content):
    """A version of a reading."""

    version: int = Field(description="Its number at the source.", examples=[1])
    received_at: Instant = Field(description="When it came.", examples=["2026-03-01T10:01:00Z"])


class ReadingReply(VersionReply):
    """A reading: its newest version, and how it stands."""

    id: UUID = Field(description="Its id.", examples=["0195a4a0-1c00-7a00-8000-000000000001"])
    source: Name = Field(
        description="The system that it comes from.", examples=["plant data system"]
    )
    tag: Name | None = Field(
        default=None, description="The instrument's tag.", examples=["WIT-101"]
    )
    sample_point: Name | None = Field(
        default=None,
        description="The laboratory's code of the sample point.",
        examples=["FEED-A"],
    )
    analyte: Name | None = Field(
        default=None, description="The laboratory's code of the analyte.", examples=["Sn"]
    )
    sample: Name | None = Field(
        default=None, description="The sample, where it was named.", examples=["F-2217"]
    )
    time: Instant = Field(
        description="When it was measured or sampled.", examples=["2026-03-01T10:00:00Z"]
    )
    standing: Standing = Field(
        description=f"How it stands: {_STANDING_TEXT}.", examples=["current"]
    )
    mapping_version: int | None = Field(
        default=None,
        description="Version of the mapping that holds at its time and knows it.",
        examples=[1],
    )
    mapped_unit: str | None = Field(
        default=None,
        description="Its unit where it names none itself, as the mapping says.",
        examples=["t"],
    )


_READING_EXAMPLE = {
    "id": "0195a4a0-1c00-7a00-8000-000000000001",
    "source": "plant data system",
    "tag": "WIT-101",
    "time": "2026-03-01T10:00:00Z",
    "version": 1,
    "status": "final",
    "value": 812.4,
    "received_at": "2026-03-01T10:01:00Z",
    "standing": "current",
    "mapping_version": 1,
    "mapped_unit": "t",
}


class ReadingList(Links):
    """A page of readings, in the order of their times."""

    readings: list[ReadingReply] = Field(
        description="The readings, each with its newest version.", examples=[[_READING_EXAMPLE]]
    )


class ReadingHistory(BaseModel):
    """A reading with everything that ever came of it."""

    reading: ReadingReply = Field(
        description="The reading as it stands.", examples=[_READING_EXAMPLE]
    )
    versions: list[VersionReply] = Field(
        description="All its versions, by their numbers.",
        examples=[
            [
                {
                    "version": 1,
                    "status": "final",
                    "value": 812.4,
                    "received_at": "2026-03-01T10:01:00Z",
                }
            ]
        ],
    )


class ParkedTag(BaseModel):
    """A tag, or a sample point and analyte, with readings that no mapping knows."""

    tag: Name | None = Field(
        default=None, description="The instrument's tag.", examples=["WIT-999"]
    )
    sample_point: Name | None = Field(
        default=None, description="The laboratory's code of the sample point.", examples=["TAIL-B"]
    )
    analyte: Name | None = Field(
        default=None, description="The laboratory's code of the analyte.", examples=["Sn"]
    )
    count: int = Field(description="How many readings are parked.", examples=[12])
    first: Instant = Field(
        description="Time of the first of them; a mapping that knows the tag must hold by then.",
        examples=["2026-03-01T10:00:00Z"],
    )
    last: Instant = Field(
        description="Time of the last of them.", examples=["2026-03-06T22:00:00Z"]
    )


class ParkedList(Links):
    """A page of parked tags, in the order of their names."""

    parked: list[ParkedTag] = Field(
        description="The tags.",
        examples=[
            [
                {
                    "tag": "WIT-999",
                    "count": 12,
                    "first": "2026-03-01T10:00:00Z",
                    "last": "2026-03-06T22:00:00Z",
                }
            ]
        ],
    )
