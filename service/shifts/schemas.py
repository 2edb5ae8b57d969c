"""Balances of shifts on the wire: what persons send, and what everyone reads."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import AfterValidator, BaseModel, Field
from pydantic_core import PydanticCustomError

from service.balances.reply import BalanceReply
from service.balances.schemas.words import ReadingUnit
from service.kit.fields import Name, NotNegative, Number, Wire
from service.kit.instants import Instant
from service.kit.paging import Links
from service.kit.problems import FaultEntry
from service.kit.revisions import LARGEST_REVISION
from service.readings.schemas import ParkedTag

from .schemas_examples import (
    BALANCE,
    CHANGE,
    DIFFERENCE,
    DIGEST,
    DISAGREEMENT,
    ENGINE,
    ENTRY,
    FIGURE,
    NOTED,
    PARKED,
    RECONCILED,
    REVISION,
    SHIFT,
    SUMMARY,
)

LONGEST_REASON = 500


def _said(text: str) -> str:
    if not text.strip():
        context = {"what": "The text is empty.", "mend": "Say it in words."}
        raise PydanticCustomError("empty-text", "{what}", context)
    return text


Said = Annotated[
    str, Field(strict=True, min_length=1, max_length=LONGEST_REASON), AfterValidator(_said)
]
RevisionNumber = Annotated[int, Field(strict=True, ge=1, le=LARGEST_REVISION)]
Standing = Literal["none", "open", "signed", "proposed"]
RevisionStanding = Literal["open", "signed", "proposed", "superseded"]
DecisionKind = Literal["leave out", "use", "override", "undo"]

_STANDING_TEXT = (
    "'none' (never calculated), 'open' (calculated, not signed), 'signed', 'proposed' (signed, and "
    "a later revision waits for a decision)"
)
_REASON = "Why, in words that will do in ten years."
_PERSON = "The person who decides, by name; the key that came with the request stands beside it."
_UNIT = "Its unit; null where there is none."


class SigningObject(Wire):
    """A signature under a revision."""

    revision: RevisionNumber = Field(description="The revision that is signed.", examples=[3])
    digest: str = Field(
        strict=True,
        min_length=64,
        max_length=64,
        description="Its digest, as read: what is signed is this content and no other.",
        examples=[DIGEST],
    )
    person: Name = Field(description=_PERSON, examples=["A. Metallurgist"])
    meaning: Said = Field(
        description="What the signature means.", examples=["approved for the monthly balance"]
    )
    reason: Said = Field(description=_REASON, examples=["all assays final, no suspect left"])


class UnlockingObject(Wire):
    """An unlocking of what was signed."""

    revision: RevisionNumber = Field(description="The revision that was signed.", examples=[3])
    person: Name = Field(description=_PERSON, examples=["A. Metallurgist"])
    reason: Said = Field(description=_REASON, examples=["umpire assay of the concentrate came in"])


class DecisionObject(Wire):
    """A person's decision about one version of a reading."""

    decision: DecisionKind = Field(
        description="'leave out' (it counts for nothing), 'use' (it counts although it is out of "
        "the valid range), 'override' (another value stands instead), 'undo' (the decision before "
        "no longer holds).",
        examples=["leave out"],
    )
    version: int = Field(
        strict=True,
        ge=0,
        description="The version of the reading that was seen; a decision holds for no other.",
        examples=[1],
    )
    value: Number | None = Field(
        default=None, description="With 'override': the value instead.", examples=[31.4]
    )
    unit: ReadingUnit | None = Field(
        default=None,
        description="With 'override': its unit, where it is not that of the reading.",
        examples=["%"],
    )
    sd: NotNegative | None = Field(
        default=None,
        description="With 'override': its standard deviation, where the mapping does not say it.",
        examples=[0.4],
    )
    person: Name = Field(description=_PERSON, examples=["A. Metallurgist"])
    reason: Said = Field(description=_REASON, examples=["sample bag found open"])


class KeyOf(BaseModel):
    """The key that came with a request."""

    id: str = Field(description="Its id; empty on the machine itself without keys.", examples=[""])
    name: str = Field(description="Whose key it is.", examples=["this machine"])


class TrailEntry(BaseModel):
    """An entry of the trail."""

    number: int = Field(description="Its number at the site, from 1.", examples=[7])
    at: Instant = Field(description="When.", examples=["2026-03-02T01:00:00Z"])
    kind: str = Field(
        description="What was done: 'sign', 'unlock', the word of a decision, or 'correct' of a "
        "test.",
        examples=["sign"],
    )
    person: str = Field(description="Who decided.", examples=["A. Metallurgist"])
    key: KeyOf = Field(
        description="Whose key came with it.", examples=[{"id": "", "name": "this machine"}]
    )
    reason: str = Field(description="Why.", examples=["all assays final, no suspect left"])
    about: dict[str, Any] = Field(
        description="What it concerns: the balance with its revision and digest and the meaning "
        "of the signature, the reading with its version and what stands instead, or the test with "
        "its revision and digest.",
        examples=[ENTRY["about"]],
    )
    before: str = Field(
        description="Digest of the entry before; noughts at the first.", examples=["0" * 64]
    )
    digest: str = Field(
        description="SHA-256 of this entry as it is kept, which the next one holds.",
        examples=[DIGEST],
    )


class TrailList(Links):
    """A page of the trail, in the order of its entries."""

    entries: list[TrailEntry] = Field(description="The entries.", examples=[[ENTRY]])


class ShiftOf(BaseModel):
    """The shift of a balance."""

    key: str = Field(description="Its day and name.", examples=["2026-03-01/night"])
    start: Instant = Field(description="When it starts.", examples=["2026-03-01T10:00:00Z"])
    end: Instant = Field(description="When it ends.", examples=["2026-03-01T22:00:00Z"])


class DecisionTaken(BaseModel):
    """A decision that a balance holds."""

    kind: DecisionKind = Field(description="The decision.", examples=["leave out"])
    person: str = Field(description="Whose it is.", examples=["A. Metallurgist"])
    reason: str = Field(description="Why.", examples=["sample bag found open"])
    at: Instant = Field(description="When.", examples=["2026-03-02T00:40:00Z"])
    entry: int = Field(description="Its number in the trail.", examples=[6])
    version: int = Field(description="The version that it is about.", examples=[1])
    value: float | None = Field(description="What stands instead.", examples=[None])
    unit: str | None = Field(description=_UNIT, examples=[None])
    sd: float | None = Field(description="Its standard deviation.", examples=[None])


class NotedReading(BaseModel):
    """A reading of the shift, used or not."""

    source: str = Field(description="Where it comes from.", examples=["site laboratory"])
    tag: str | None = Field(default=None, description="The tag.", examples=["WIT-101"])
    sample_point: str | None = Field(
        default=None, description="The sample point.", examples=["FEED-A"]
    )
    analyte: str | None = Field(default=None, description="The analyte.", examples=["Sn"])
    sample: str | None = Field(default=None, description="The sample.", examples=["F-2217"])
    time: Instant = Field(description="When.", examples=["2026-03-01T12:00:00Z"])
    version: int = Field(description="The version that counts.", examples=[2])
    result: dict[str, Any] = Field(description="What it says.", examples=[{"value": 31.2}])
    standing: str = Field(description="How it stands by itself.", examples=["current"])
    shifts: list[str] = Field(description="What it covers.", examples=[["2026-03-01/night"]])
    as_: str | None = Field(
        alias="as",
        description="The reading of the request that it went into, as a JSON pointer; null where "
        "it is in none.",
        examples=["/readings/3"],
    )
    why: str | None = Field(
        description="Why it does not count; null where it does.", examples=[None]
    )
    decision: DecisionTaken | None = Field(
        description="What a person decided about it.", examples=[None]
    )
    lapsed: bool = Field(
        description="Whether that decision was about an earlier version, and no longer holds.",
        examples=[False],
    )


class Versions(BaseModel):
    """The versions that a revision was made with."""

    flowsheet: int = Field(description="Of the flowsheet.", examples=[1])
    mapping: list[int] = Field(description="Of the mapping.", examples=[[1]])


class Signature(BaseModel):
    """The signature that holds."""

    revision: int = Field(description="What was signed.", examples=[3])
    digest: str = Field(description="Its digest.", examples=[DIGEST])
    person: str = Field(description="By whom.", examples=["A. Metallurgist"])
    key: KeyOf = Field(description="With whose key.", examples=[{"id": "", "name": "this machine"}])
    at: Instant = Field(description="When.", examples=["2026-03-02T01:00:00Z"])
    meaning: str = Field(
        description="What it means.", examples=["approved for the monthly balance"]
    )
    reason: str = Field(description="Why.", examples=["all assays final, no suspect left"])
    entry: int = Field(description="Its number in the trail.", examples=[7])


class KeptProblem(BaseModel):
    """Why the last calculation gave no balance."""

    type: str = Field(description="Its kind.", examples=["/problems/not-converged"])
    detail: str = Field(description="What is the matter.", examples=["No balance was found."])
    faults: list[FaultEntry] = Field(
        default=[], description="The readings concerned.", examples=[[]]
    )


class ShiftBalance(BaseModel):
    """The balance of a flowsheet over a shift, by the revision that counts or was asked for."""

    site: str = Field(description="The site.", examples=["tin-shed"])
    flowsheet: str = Field(description="The flowsheet.", examples=["main"])
    shift: ShiftOf = Field(description="The shift.", examples=[SHIFT])
    standing: Standing | RevisionStanding = Field(
        description=f"How it stands: {_STANDING_TEXT}. Of a revision asked for by its number: "
        "'open', 'signed', 'proposed' or 'superseded'.",
        examples=["signed"],
    )
    stale: bool = Field(
        description="Whether something came that no revision holds yet.", examples=[False]
    )
    revision: int | None = Field(description="The revision told here.", examples=[3])
    newest: int | None = Field(
        description="The newest revision; after a signature it is a proposal.", examples=[3]
    )
    digest: str | None = Field(
        description="SHA-256 of the record: of the bytes that its address gives.",
        examples=[DIGEST],
    )
    made_at: Instant | None = Field(
        description="When it was calculated.", examples=["2026-03-02T00:10:00Z"]
    )
    versions: Versions | None = Field(
        description="Versions it was made with.", examples=[{"flowsheet": 1, "mapping": [1]}]
    )
    engine: dict[str, str] | None = Field(
        description="What calculated it, with versions.", examples=[ENGINE]
    )
    shifts: list[ShiftOf] = Field(
        description="The shifts balanced together: more than one where composites join them.",
        examples=[[SHIFT]],
    )
    readings: list[NotedReading] = Field(
        description="Every reading of the shift with the place where it counts, or why it does "
        "not.",
        examples=[[NOTED]],
    )
    parked: list[ParkedTag] = Field(
        description="Tags that no mapping knows with readings of this time, as it is now: the "
        "first hundred.",
        examples=[[PARKED]],
    )
    signature: Signature | None = Field(description="The signature that holds.", examples=[None])
    problem: KeptProblem | None = Field(
        description="Why the last calculation gave no balance.", examples=[None]
    )
    balance: BalanceReply | None = Field(
        description="The balance; streams of several shifts have the shift as their period.",
        examples=[None],
    )


class Summary(BaseModel):
    """What a list tells of a revision."""

    outcome: str = Field(description="How the balance closed.", examples=["closed"])
    statistic: float | None = Field(description="The global test.", examples=[5.3])
    degrees_of_freedom: int | None = Field(description="Its degrees of freedom.", examples=[6])
    p_value: float | None = Field(description="Its p-value.", examples=[0.51])
    findings: list[str] = Field(description="What cannot be true.", examples=[[]])
    used: int = Field(description="How many readings count.", examples=[6])
    not_used: int = Field(description="How many do not.", examples=[1])
    engine: str = Field(description="Version that calculated.", examples=["0.1.0"])


class RevisionEntry(BaseModel):
    """A revision in a list."""

    revision: int = Field(description="Its number.", examples=[3])
    standing: RevisionStanding = Field(description="How it stands.", examples=["signed"])
    digest: str = Field(description="SHA-256 of its record.", examples=[DIGEST])
    made_at: Instant = Field(description="When.", examples=["2026-03-02T00:10:00Z"])
    summary: Summary = Field(description="What it says.", examples=[SUMMARY])
    address: str = Field(description="Where it is.", examples=[REVISION["address"]])


class RevisionList(Links):
    """A page of revisions, in the order of their numbers."""

    revisions: list[RevisionEntry] = Field(description="The revisions.", examples=[[REVISION]])


class BalanceEntry(BaseModel):
    """A balance in a list."""

    flowsheet: str = Field(description="The flowsheet.", examples=["main"])
    day: date = Field(description="The production day.", examples=["2026-03-01"])
    shift: str = Field(description="The shift.", examples=["night"])
    start: Instant = Field(description="When it starts.", examples=["2026-03-01T10:00:00Z"])
    end: Instant = Field(description="When it ends.", examples=["2026-03-01T22:00:00Z"])
    standing: Standing = Field(description=f"How it stands: {_STANDING_TEXT}.", examples=["open"])
    stale: bool = Field(description="Whether something is not in it yet.", examples=[False])
    revision: int | None = Field(description="The revision that counts.", examples=[3])
    newest: int | None = Field(description="The newest revision.", examples=[3])
    digest: str | None = Field(description="SHA-256 of the record.", examples=[DIGEST])
    p_value: float | None = Field(description="P-value of the global test.", examples=[0.51])
    findings: list[str] = Field(description="What cannot be true.", examples=[[]])
    used: int | None = Field(description="How many readings count.", examples=[6])
    not_used: int | None = Field(description="How many do not.", examples=[1])
    problem: str | None = Field(description="Why the last calculation gave none.", examples=[None])
    address: str = Field(description="Where it is.", examples=[BALANCE["address"]])


class BalanceList(Links):
    """A page of balances, in the order of their shifts."""

    balances: list[BalanceEntry] = Field(description="The balances.", examples=[[BALANCE]])


class Reconciled(BaseModel):
    """A reading as it came out of the balance that counts."""

    flowsheet: str = Field(description="The flowsheet.", examples=["main"])
    shift: str = Field(description="Day and name of the shift.", examples=["2026-03-01/night"])
    revision: int = Field(description="The revision.", examples=[3])
    streams: list[str] = Field(description="Where it was read.", examples=[["feed"]])
    stock: str | None = Field(description="The stock that was read.", examples=[None])
    of: str = Field(description="What was read.", examples=["Sn"])
    unit: str = Field(description="Unit of the figures.", examples=["%"])
    value: float | None = Field(description="What was read.", examples=[31.2])
    limit: str | None = Field(description="'below' or 'above' it.", examples=[None])
    sd: float | None = Field(description="Its standard deviation.", examples=[0.62])
    reconciled: float | None = Field(description="What came out.", examples=[31.9])
    reconciled_sd: float | None = Field(description="Its standard deviation.", examples=[0.4])
    adjustment: float | None = Field(description="The difference.", examples=[0.7])
    standardised: float | None = Field(description="In its own sd.", examples=[1.5])
    class_: str = Field(alias="class", description="What is known.", examples=["redundant"])
    left_out: str | None = Field(description="Why it was left out.", examples=[None])
    statement: str | None = Field(description="What is said of it.", examples=[None])
    sources: list[dict[str, Any]] = Field(
        description="The readings that it was made of.", examples=[RECONCILED["sources"]]
    )


class ReconciledList(Links):
    """A page of readings as reconciled, in the order of their shifts."""

    readings: list[Reconciled] = Field(description="The readings.", examples=[[RECONCILED]])


class Disagreement(BaseModel):
    """What a balance says of one line of a batch."""

    line: int = Field(description="Number of the line.", examples=[1])
    reading: UUID | None = Field(
        description="Id of the reading; null where it is not stored.",
        examples=["0195a4a0-1c00-7a00-8000-000000000001"],
    )
    what: str = Field(description="In words.", examples=[DISAGREEMENT["what"]])
    disagrees: bool | None = Field(
        description="Whether it disagrees with the balance; null where no balance holds it, or "
        "nothing checks it.",
        examples=[True],
    )
    priority: int | None = Field(
        description="What to assay again first, from 1; null where there is no need.",
        examples=[1],
    )
    shift: str | None = Field(description="The shift.", examples=["2026-03-01/night"])
    flowsheet: str | None = Field(description="The flowsheet.", examples=["main"])
    revision: int | None = Field(description="The revision.", examples=[3])
    of: str | None = Field(description="What it is of.", examples=["Sn"])
    streams: list[str] = Field(description="Where.", examples=[["mag 1"]])
    unit: str | None = Field(description=_UNIT, examples=["%"])
    value: float | None = Field(description="What the balance took it for.", examples=[4.4])
    sd: float | None = Field(description="Its standard deviation.", examples=[0.1])
    reconciled: float | None = Field(description="What came out.", examples=[3.6])
    off_by: float | None = Field(
        description="By how much it is too high, estimated from all others.", examples=[1.1]
    )
    off_by_sd: float | None = Field(description="Standard deviation of that.", examples=[0.2])
    statistic: float | None = Field(description="One over the other.", examples=[5.5])
    adjusted: float | None = Field(
        description="P-value with all tests of the shift taken into account.", examples=[1e-6]
    )
    probability: float | None = Field(
        description="Probability in % that this is what is behind a finding.", examples=[91.0]
    )


class DisagreementList(Links):
    """What the balances say of a batch, line by line."""

    results: list[Disagreement] = Field(description="The lines.", examples=[[DISAGREEMENT]])


class ReadingChange(BaseModel):
    """A reading that two revisions do not have alike."""

    reading: str = Field(description="Which, in words.", examples=[CHANGE["reading"]])
    change: Literal["added", "removed", "corrected", "decided", "otherwise used"] = Field(
        description="What happened to it.", examples=["corrected"]
    )
    before: dict[str, Any] | None = Field(
        description="As the earlier revision has it.", examples=[None]
    )
    after: dict[str, Any] | None = Field(description="As the later one has it.", examples=[NOTED])


class FigureChange(BaseModel):
    """A mass, an assay or a recovery that two revisions do not have alike."""

    figure: str = Field(description="Which, in words.", examples=[FIGURE["figure"]])
    unit: str | None = Field(description=_UNIT, examples=["t"])
    before: float | None = Field(description="Earlier.", examples=[812.4])
    before_sd: float | None = Field(description="Its standard deviation.", examples=[3.1])
    after: float | None = Field(description="Later.", examples=[815.0])
    after_sd: float | None = Field(description="Its standard deviation.", examples=[3.0])
    in_sd: float | None = Field(
        description="The change in standard deviations of the earlier one.", examples=[0.84]
    )


class Difference(BaseModel):
    """What a revision has otherwise than an earlier one."""

    since: int = Field(description="The earlier revision.", examples=[2])
    revision: int = Field(description="The later revision.", examples=[3])
    statements: list[str] = Field(
        description="It in words, the largest changes first.", examples=[DIFFERENCE["statements"]]
    )
    readings: list[ReadingChange] = Field(description="Readings.", examples=[[CHANGE]])
    figures: list[FigureChange] = Field(
        description="Figures of the shift, the largest change first.", examples=[[FIGURE]]
    )
