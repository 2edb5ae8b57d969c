"""What every version tells of itself on the wire."""

from __future__ import annotations

from pydantic import BaseModel, Field

from service.kit.fields import Wire
from service.kit.instants import Instant
from service.kit.paging import Links


class NewVersion(Wire):
    """What a new version says beside its content."""

    valid_from: Instant = Field(
        description="From when on it holds, in RFC 3339 with an offset; until the version that "
        "follows it in time.",
        examples=["2026-03-01T06:00:00+08:00"],
    )
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=2000,
        description="What was changed, and why.",
        examples=["Invented data."],
    )


class VersionHead(BaseModel):
    """What a version tells of itself."""

    version: int = Field(description="Its number, from 1.", examples=[1])
    valid_from: Instant = Field(
        description="From when on it holds.", examples=["2026-02-28T22:00:00Z"]
    )
    valid_until: Instant | None = Field(
        default=None,
        description="Until when it holds, that time excluded; null where none follows in time. "
        "Equal to 'valid_from' where another took its place from the beginning.",
        examples=["2026-06-30T22:00:00Z"],
    )
    note: str | None = Field(
        default=None, description="What was changed, and why.", examples=["Invented data."]
    )
    created_at: Instant = Field(
        description="When it was stored.", examples=["2026-03-01T00:00:00Z"]
    )


class VersionEntry(VersionHead):
    """A version in a list."""

    address: str = Field(
        description="Where it can be read whole.",
        examples=["/v1/sites/tin-shed/flowsheets/main/versions/1"],
    )


class VersionList(Links):
    """A page of versions, in the order of their numbers."""

    versions: list[VersionEntry] = Field(
        description="The versions.",
        examples=[
            [
                {
                    "version": 1,
                    "valid_from": "2026-02-28T22:00:00Z",
                    "valid_until": None,
                    "note": "Invented data.",
                    "created_at": "2026-03-01T00:00:00Z",
                    "address": "/v1/sites/tin-shed/flowsheets/main/versions/1",
                }
            ]
        ],
    )
