"""Tests that are kept, on the wire."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from service.kit.instants import Instant
from service.kit.paging import Links
from service.shifts.schemas import FigureChange
from service.shifts.schemas_examples import DIGEST, ENGINE
from service.tests.reply import TestReply
from service.tests.schemas import MINIMAL_SHEET

TEST_ID = "0195a4a0-1c00-7a00-8000-000000000007"
_ADDRESS = f"/v1/sites/tin-shed/tests/{TEST_ID}"

ENTRY: dict[str, Any] = {
    "site": "tin-shed",
    "test": TEST_ID,
    "title": "One magnetic pass",
    "revision": 2,
    "digest": DIGEST,
    "media_type": "application/json",
    "person": "A. Metallurgist",
    "reason": "tare of mag 1 was read from the wrong tray",
    "made_at": "2026-10-05T09:30:00Z",
    "outcome": "closed",
    "p_value": 0.46,
    "findings": [],
    "address": _ADDRESS,
}
_CHANGED: dict[str, Any] = {
    "entry": "Pass 1, tray 'mag 1', tare",
    "before": 121.6,
    "after": 112.6,
}
FIGURE: dict[str, Any] = {
    "figure": "mass of 'mag 1'",
    "unit": "g",
    "before": 899.9,
    "before_sd": 0.4,
    "after": 904.9,
    "after_sd": 0.4,
    "in_sd": 12.5,
}


class _Head(BaseModel):
    site: str = Field(description="Key of the site.", examples=["tin-shed"])
    test: str = Field(description="Id of the test.", examples=[TEST_ID])
    title: str | None = Field(description="Title of its sheet.", examples=["One magnetic pass"])
    revision: int = Field(description="Number of the revision, from 1.", examples=[2])
    digest: str = Field(
        description="SHA-256 of the record of the revision; the same sheet and the same build give "
        "the same.",
        examples=[DIGEST],
    )
    media_type: str = Field(
        description="In which form the sheet came.", examples=["application/json"]
    )
    person: str | None = Field(
        description="Who corrected the revision before; null for the first.",
        examples=["A. Metallurgist"],
    )
    reason: str | None = Field(
        description="Why; null for the first.",
        examples=["tare of mag 1 was read from the wrong tray"],
    )
    made_at: Instant = Field(description="When it was kept.", examples=["2026-10-05T09:30:00Z"])
    address: str = Field(description="Where it can be read whole.", examples=[_ADDRESS])


class KeptTestEntry(_Head):
    """A revision of a test as lists tell it."""

    outcome: str = Field(description="How the reconciliation ended.", examples=["closed"])
    p_value: float | None = Field(
        description="Of the global test; null where there is none.", examples=[0.46]
    )
    findings: list[str] = Field(
        description="What may be wrong, in sentences.",
        examples=[["The weight of 'mag 1' may be wrong."]],
    )


class KeptTest(_Head):
    """A test as it is kept: the sheet, and what came out."""

    newest: int = Field(description="Number of its newest revision.", examples=[2])
    engine: dict[str, str] = Field(description="What calculated it.", examples=[ENGINE])
    sheet: dict[str, Any] = Field(
        description="The sheet as JSON; as it came it is at '/sheet'.", examples=[MINIMAL_SHEET]
    )
    balance: TestReply = Field(
        description="What /v1/tests replied to it, without the time that it took.",
        examples=[{"title": "One magnetic pass", "outcome": "closed"}],
    )


class KeptTestList(Links):
    """A page of tests, in the order in which they were first kept."""

    tests: list[KeptTestEntry] = Field(
        description="Each by its newest revision.", examples=[[ENTRY]]
    )


class KeptTestRevisions(Links):
    """A page of the revisions of a test, in the order of their numbers."""

    revisions: list[KeptTestEntry] = Field(description="The revisions.", examples=[[ENTRY]])


class EntryChange(BaseModel):
    """An entry of the sheet that two revisions have not alike."""

    entry: str = Field(description="Which, in words.", examples=[_CHANGED["entry"]])
    before: Any = Field(
        description="What the earlier one says; null for nothing.", examples=[121.6]
    )
    after: Any = Field(description="What the later one says; null for nothing.", examples=[112.6])


class KeptTestDifference(BaseModel):
    """What a revision of a test has otherwise than an earlier one."""

    since: int = Field(description="The earlier revision.", examples=[1])
    revision: int = Field(description="The later revision.", examples=[2])
    statements: list[str] = Field(
        description="It in words, the largest changes of figures first.",
        examples=[["Pass 1, tray 'mag 1', tare: 121.6 -> 112.6."]],
    )
    entries: list[EntryChange] = Field(
        description="Entries of the sheet, in its order.", examples=[[_CHANGED]]
    )
    figures: list[FigureChange] = Field(
        description="Figures, the largest change first.", examples=[[FIGURE]]
    )
