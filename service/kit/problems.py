"""
Problem details after RFC 9457: one shape for everything that goes wrong.

This module knows no web framework, so that the command line tells the same tale as HTTP.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, Field

from reconcile.faults import Fault

from .strict_json import pointer

MEDIA_TYPE = "application/problem+json"

MOST_FAULTS_LISTED = 1000
"""A reply lists so many faults; ``fault_count`` always counts all."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its stable slug, status, title, and the page that explains it."""

    slug: str
    status: int
    title: str
    page: str

    @property
    def uri(self) -> str:
        """The ``type`` of RFC 9457: a reference that resolves within the service."""
        return f"/problems/{self.slug}"


INVALID_REQUEST = Kind(
    "invalid-request",
    422,
    "The request cannot be used as it stands",
    "The body is JSON, but something in it is wrong. Each entry of 'faults' gives the place "
    "as a JSON pointer (RFC 6901), a stable code, what is wrong, and how to mend it. All "
    "faults found are given at once; mend them all and send the request again.",
)
MALFORMED = Kind(
    "malformed-json",
    400,
    "The request is not JSON",
    "The body could not be read as JSON (RFC 8259) in UTF-8. 'line' and 'column' tell where "
    "the reader gave up; the slip is there or just before.",
)
UNREADABLE_SHEET = Kind(
    "unreadable-sheet",
    400,
    "The sheet cannot be read",
    "The body is no workbook (.xlsx) or table (CSV) that can be read: it is something else, is "
    "broken, locked with a password, or would unpack to far more than a sheet. 'detail' says "
    "which, and what to do. A blank sheet is at /v1/tests/sheet.",
)
BODY_TOO_LARGE = Kind(
    "body-too-large",
    413,
    "The request body is too large",
    "The body is longer than this service reads. The limit in bytes stands in the reply. "
    "Balance parts of the flowsheet on their own, or run a service with a higher "
    "EVENLODE_BODY_LIMIT_BYTES.",
)
UNSUPPORTED_MEDIA_TYPE = Kind(
    "unsupported-media-type",
    415,
    "The media type is not supported",
    "Send JSON: 'Content-Type: application/json', in UTF-8 and without a content encoding. "
    "With curl: -H 'Content-Type: application/json' --data-binary @FILE.",
)
KEY_NEEDED = Kind(
    "key-needed",
    401,
    "A key is needed",
    "The service does not know who calls. Send a key in the header 'Authorization: Bearer KEY'. "
    "Keys are made by 'evenlode keys create' on the machine of the service. Without a key it "
    "answers callers on the machine itself, as long as no key was ever made; what a proxy passed "
    "on or a page of elsewhere sent does not count as such.",
)
SCOPE_MISSING = Kind(
    "scope-missing",
    403,
    "The key does not open this",
    "The service knows whose key it is, but the key was not made for this operation. The header "
    "'WWW-Authenticate' names the scope that is missing: read, post, sign or administer. Ask "
    "who runs the service for a key that has it.",
)
NOT_FOUND = Kind(
    "not-found",
    404,
    "There is nothing at this address",
    "No resource has this address. The index at '/' lists where to go.",
)
METHOD_NOT_ALLOWED = Kind(
    "method-not-allowed",
    405,
    "This address does not take this method",
    "The header 'Allow' of the reply names the methods that the address takes. A balance is "
    "made by POST to /v1/balances.",
)
INVALID_PARAMETER = Kind(
    "invalid-parameter",
    400,
    "A parameter or header cannot be used",
    "Something in the address after the question mark, or in a header, cannot be used as it "
    "stands. Each entry of 'faults' names the parameter or header, what is wrong, and how to "
    "mend it; the pointers are empty, since they point into bodies only.",
)
KEY_IN_USE = Kind(
    "idempotency-key-in-use",
    409,
    "The first request with this Idempotency-Key is still running",
    "A request with the same key has not been answered yet. Wait a moment and send this one "
    "again: it then gets the answer of the first.",
)
KEY_REUSED = Kind(
    "idempotency-key-reused",
    422,
    "The Idempotency-Key was used for another request",
    "The key came before with another body, address or media type. A key stands for one "
    "request; take a new one for a new request.",
)
CHANGED_MEANWHILE = Kind(
    "changed-meanwhile",
    412,
    "The resource is not as the request expects it",
    "'If-Match' names a state that is not the present one, or 'If-None-Match' asks for a new "
    "resource where there is one already. Read it again, see what changed, and send the change "
    "with the new ETag.",
)
PRECONDITION_REQUIRED = Kind(
    "precondition-required",
    428,
    "The request must say which state it changes",
    "Nothing stored is overwritten unseen. To change a resource send 'If-Match' with the ETag "
    "of its last reply; to make a new one send 'If-None-Match: *'.",
)
STALE_REVISION = Kind(
    "stale-revision",
    409,
    "The revision is not the newest state of the balance",
    "What is signed must be what the readings say now. Something came that this revision does not "
    "hold, or a newer revision is there. Have the balance calculated (POST to its address), look "
    "at what changed, and sign the newest revision with the new ETag.",
)
ALREADY_SIGNED = Kind(
    "already-signed",
    409,
    "The balance is signed already",
    "A signed balance stays as it is. To sign another revision, unlock it first: that needs a "
    "person and a reason, and stands in the trail as the signature does.",
)
NOT_SIGNED = Kind(
    "not-signed",
    409,
    "The balance is not signed",
    "Only what is signed can be unlocked. Read the balance again; someone may have unlocked it.",
)
NOT_NEWEST_VERSION = Kind(
    "not-newest-version",
    409,
    "The reading has a newer version",
    "A decision is about one version of a reading, the one that the person saw. Since then the "
    "source has sent another. Read it again, and decide anew if it is still needed.",
)
NOT_ACCEPTABLE = Kind(
    "not-acceptable",
    406,
    "It does not come in this form",
    "Lists come as 'application/json', 'application/x-ndjson' or 'text/csv'; balances and tests as "
    "'application/json' or as a report in several forms. 'detail' names the forms of this address: "
    "name one of them in the header 'Accept', or leave it out for JSON.",
)
STORE_UNAVAILABLE = Kind(
    "store-unavailable",
    503,
    "The database cannot be used just now",
    "The database did not answer, was busy for too long, or is full. Nothing of the request was "
    "stored, unless the connection broke at the very end; sending it again is safe either way.",
)
CONTRADICTORY = Kind(
    "contradictory-fixed-values",
    422,
    "Fixed values contradict each other",
    "Readings with a standard deviation of zero are taken as exact. Here no set of masses "
    "agrees with all of them and with the balances at the nodes named. Give at least one of "
    "them a standard deviation above zero, or correct it.",
)
NOT_CONVERGED = Kind(
    "not-converged",
    422,
    "No balance was found",
    "The solver did not reach a balance that it can vouch for, so it gives no numbers. "
    "'nodes' and 'reason' say where it was worst and what the likely cause is: most often a "
    "gross error, a wrong unit, or standard deviations that differ by many orders.",
)
OVER_BUDGET = Kind(
    "over-budget",
    503,
    "The time or memory allowed was used up",
    "The reconciliation was given up because it took more time or memory than allowed. Ask "
    "for more time in 'options', balance a smaller part, or run a service with a higher "
    "EVENLODE_TIME_BUDGET_S or EVENLODE_MEMORY_BUDGET_MB.",
)
BUSY = Kind(
    "busy",
    503,
    "Too many calculations wait already",
    "The service calculates as much as it can, and the queue is full. The header 'Retry-After' "
    "says in how many seconds to send the request again. Large calculations have a queue of "
    "their own. EVENLODE_QUEUE_LIMIT sets how long the queues may be.",
)
STOPPING = Kind(
    "stopping",
    503,
    "The service is stopping",
    "The service was told to stop: it finishes what it has begun and takes nothing new. Nothing of "
    "this request was done. Send it again after the seconds that 'Retry-After' names; by then "
    "another instance, or the next start, will answer.",
)
NOT_READY = Kind(
    "not-ready",
    503,
    "The service is not ready",
    "Something that the service needs does not hold yet, or any more: 'reason' names it. It "
    "is asked by those who decide where requests are sent. The log says more.",
)
BODY_TOO_SLOW = Kind(
    "body-too-slow",
    408,
    "The request body took too long to arrive",
    "The service waits for a body only so long, so that no caller can hold it up. Send the "
    "request again over a better line, or run a service with a higher EVENLODE_BODY_LIMIT_S.",
)
CALCULATION_LOST = Kind(
    "calculation-lost",
    500,
    "The calculation was lost",
    "The process that calculated ended before it had answered, most often because the machine ran "
    "out of memory. Another has taken its place, and no other request was touched. If it happens "
    "again with the same request, that is a defect of the service.",
)
INTERNAL = Kind(
    "internal-error",
    500,
    "The service failed",
    "This is a defect of the service, not of the request. The log of the service holds the "
    "details under the request id given in 'instance'.",
)

KINDS: dict[str, Kind] = {
    kind.slug: kind
    for kind in (
        INVALID_REQUEST,
        MALFORMED,
        UNREADABLE_SHEET,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        KEY_NEEDED,
        SCOPE_MISSING,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        INVALID_PARAMETER,
        KEY_IN_USE,
        KEY_REUSED,
        CHANGED_MEANWHILE,
        PRECONDITION_REQUIRED,
        STALE_REVISION,
        ALREADY_SIGNED,
        NOT_SIGNED,
        NOT_NEWEST_VERSION,
        NOT_ACCEPTABLE,
        STORE_UNAVAILABLE,
        CONTRADICTORY,
        NOT_CONVERGED,
        OVER_BUDGET,
        BUSY,
        STOPPING,
        NOT_READY,
        BODY_TOO_SLOW,
        CALCULATION_LOST,
        INTERNAL,
    )
}


class FaultEntry(BaseModel):
    """One thing wrong with the request."""

    model_config = ConfigDict(json_schema_serialization_defaults_required=False)

    pointer: str = Field(
        description="Where, as a JSON pointer (RFC 6901); empty for the whole request.",
        examples=["/readings/3/sd"],
    )
    cell: str | None = Field(
        default=None,
        description="Where in a workbook or a table, if that is what was sent.",
        examples=["sheet 'Trays', cell F7"],
    )
    code: str = Field(description="A stable word for programs.", examples=["bad-sd"])
    detail: str = Field(
        description="What is wrong, in a sentence.",
        examples=["The standard deviation is negative."],
    )
    mend: str = Field(
        description="How to mend it, in a sentence.",
        examples=["Give a standard deviation of zero (fixes the value) or more."],
    )


class Problem(BaseModel):
    """Problem details (RFC 9457); the reply to every request that could not be answered."""

    model_config = ConfigDict(json_schema_serialization_defaults_required=False)

    type: str = Field(
        description="The kind of problem, as a reference to a page of this service.",
        examples=["/problems/invalid-request"],
    )
    title: str = Field(
        description="The kind of problem in words.",
        examples=["The request cannot be used as it stands"],
    )
    status: int = Field(description="The HTTP status code.", examples=[422])
    detail: str = Field(
        description="What happened this time, in a sentence.",
        examples=["1 fault was found; 'faults' tells where and how to mend it."],
    )
    instance: str | None = Field(
        default=None,
        description="The id of the request, as in the header X-Request-ID.",
        examples=["6f1c2a9e-8f0a-4b1b-9f57-0c1d5f6f7a10"],
    )
    faults: list[FaultEntry] = Field(
        default=[],
        description="Everything found wrong with the request, in the order of the pointers.",
        examples=[
            [
                {
                    "pointer": "/readings/3/sd",
                    "code": "bad-sd",
                    "detail": "The standard deviation is negative.",
                    "mend": "Give a standard deviation of zero (fixes the value) or more.",
                }
            ]
        ],
    )
    fault_count: int | None = Field(
        default=None,
        description=f"How many faults there are; the first {MOST_FAULTS_LISTED} are listed.",
        examples=[1],
    )
    line: int | None = Field(
        default=None,
        description="Line at which malformed JSON could not be read on, from 1.",
        examples=[12],
    )
    column: int | None = Field(
        default=None,
        description="Column at which malformed JSON could not be read on, from 1.",
        examples=[7],
    )
    limit_bytes: int | None = Field(
        default=None,
        description="The longest body read, in bytes, where the body was too large.",
        examples=[8388608],
    )
    outcome: str | None = Field(
        default=None,
        description="How the reconciliation ended, where it ended without a balance.",
        examples=["contradictory fixed values"],
    )
    nodes: list[str] | None = Field(
        default=None,
        description="The nodes concerned, where the reconciliation ended without a balance.",
        examples=[["stage 1"]],
    )
    reason: str | None = Field(
        default=None,
        description="The likely reason, where the reconciliation ended without a balance.",
        examples=["The fixed masses around stage 1 do not add up."],
    )


class RefusalError(Exception):
    """A request that is not answered, with the problem that says why."""

    def __init__(self, kind: Kind, problem: Problem, headers: dict[str, str] | None = None) -> None:
        self.kind = kind
        self.problem = problem
        self.headers = headers or {}
        super().__init__(problem.detail)

    def __reduce__(self) -> tuple[type[RefusalError], tuple[Kind, Problem, dict[str, str]]]:
        """Let the refusal pass from one process to another."""
        return RefusalError, (self.kind, self.problem, self.headers)


def problem_of(kind: Kind, detail: str, faults: Iterable[Fault] = ()) -> Problem:
    """Give the problem of a kind with its faults as entries."""
    faults = list(faults)
    return Problem(
        type=kind.uri,
        title=kind.title,
        status=kind.status,
        detail=detail,
        faults=[
            FaultEntry(pointer=pointer(f.where), code=f.code, detail=f.what, mend=f.mend)
            for f in faults[:MOST_FAULTS_LISTED]
        ],
        fault_count=len(faults) or None,
    )


def refuse_faulty(faults: Sequence[Fault]) -> RefusalError:
    """Give the refusal of a request in which these faults were found."""
    n = len(faults)
    found = "1 fault was" if n == 1 else f"{n} faults were"
    detail = f"{found} found; 'faults' tells where each is and how to mend it."
    return RefusalError(INVALID_REQUEST, problem_of(INVALID_REQUEST, detail, faults))


def refuse(
    kind: Kind, detail: str, faults: Sequence[Fault] = (), headers: dict[str, str] | None = None
) -> RefusalError:
    """Give the refusal of a kind."""
    return RefusalError(kind, problem_of(kind, detail, faults), headers)


def refuse_large(limit_bytes: int) -> RefusalError:
    """Give the refusal of a body longer than the limit."""
    problem = problem_of(BODY_TOO_LARGE, f"The body is longer than {limit_bytes} bytes.")
    return RefusalError(
        BODY_TOO_LARGE,
        problem.model_copy(update={"limit_bytes": limit_bytes}),
        {"Connection": "close"},
    )


def as_json(problem: Problem, indent: int | None = None) -> str:
    """Write a problem as JSON, leaving out the members that do not apply."""
    return problem.model_dump_json(exclude_none=True, indent=indent)


def as_lines(problem: Problem) -> list[str]:
    """
    Give a problem as lines for a terminal: the detail, then one line for each fault.

    A fault at the top of the request has the pointer '/', since an empty word reads badly; one in
    a cell is told by the cell.
    """
    lines = [f"{problem.title}. {problem.detail}"]
    lines += [f"{f.cell or f.pointer or '/'}: {f.detail} {f.mend}" for f in problem.faults]
    return lines
