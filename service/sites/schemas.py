"""A site on the wire."""

from __future__ import annotations

from pydantic import BaseModel, Field

from service.kit.fields import Name, Wire
from service.kit.identifiers import Key
from service.kit.instants import Instant
from service.kit.paging import Links


class SiteObject(Wire):
    """What is said of a site."""

    name: Name = Field(description="Its name in full.", examples=["Tin shed"])
    note: str | None = Field(
        default=None,
        strict=True,
        max_length=2000,
        description="Anything worth knowing about it.",
        examples=["Invented data."],
    )


class SiteReply(BaseModel):
    """A site."""

    key: Key = Field(description="Its key, as in the address.", examples=["tin-shed"])
    name: Name = Field(description="Its name in full.", examples=["Tin shed"])
    note: str | None = Field(
        default=None, description="Anything worth knowing about it.", examples=["Invented data."]
    )
    revision: int = Field(description="How often it was written, from 1.", examples=[1])
    created_at: Instant = Field(description="When it was made.", examples=["2026-03-01T00:00:00Z"])
    changed_at: Instant = Field(
        description="When it was last changed.", examples=["2026-03-01T00:00:00Z"]
    )


class SiteList(Links):
    """A page of sites, in the order of their keys."""

    sites: list[SiteReply] = Field(
        description="The sites.",
        examples=[
            [
                {
                    "key": "tin-shed",
                    "name": "Tin shed",
                    "note": "Invented data.",
                    "revision": 1,
                    "created_at": "2026-03-01T00:00:00Z",
                    "changed_at": "2026-03-01T00:00:00Z",
                }
            ]
        ],
    )


EXAMPLE = {"name": "Tin shed", "note": "Invented data."}
