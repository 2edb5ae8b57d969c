"""A stored flowsheet on the wire."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from service.balances.schemas import MINIMAL_EXAMPLE, CauseObject, ErrorModelObject, FlowsheetObject
from service.kit.fields import Wire
from service.kit.identifiers import Key
from service.kit.paging import Links
from service.versions.schemas import NewVersion, VersionEntry, VersionHead

_FLOWSHEET = MINIMAL_EXAMPLE["flowsheet"]
_ERROR_MODELS = [{"name": "XRF of majors", "sd": 0.03, "relative_sd": 0.01, "unit": "%"}]
_CAUSES = [{"name": "weigher A", "relative_sd": 0.005}]


class FlowsheetContent(Wire):
    """A flowsheet, and the errors that readings on it may refer to."""

    flowsheet: FlowsheetObject = Field(
        description="The flowsheet, as in a request for a balance.", examples=[_FLOWSHEET]
    )
    error_models: list[ErrorModelObject] = Field(
        default=[],
        description="Errors that readings refer to by name.",
        examples=[_ERROR_MODELS],
    )
    causes: list[CauseObject] = Field(
        default=[], description="Causes of errors that readings share.", examples=[_CAUSES]
    )


class FlowsheetVersion(NewVersion, FlowsheetContent):
    """A new version of a flowsheet."""


class FlowsheetReply(VersionHead):
    """A version of a flowsheet."""

    key: Key = Field(description="Key of the flowsheet, as in the address.", examples=["main"])
    flowsheet: FlowsheetObject = Field(
        description="The flowsheet, as in a request for a balance.", examples=[_FLOWSHEET]
    )
    error_models: list[ErrorModelObject] = Field(
        default=[],
        description="Errors that readings refer to by name.",
        examples=[_ERROR_MODELS],
    )
    causes: list[CauseObject] = Field(
        default=[], description="Causes of errors that readings share.", examples=[_CAUSES]
    )


class FlowsheetEntry(VersionEntry):
    """A flowsheet in a list: the version made last."""

    key: Key = Field(description="Key of the flowsheet.", examples=["main"])


class FlowsheetList(Links):
    """A page of flowsheets, in the order of their keys."""

    flowsheets: list[FlowsheetEntry] = Field(
        description="The flowsheets.",
        examples=[
            [
                {
                    "key": "main",
                    "version": 1,
                    "valid_from": "2026-02-28T22:00:00Z",
                    "valid_until": None,
                    "note": "Invented data.",
                    "created_at": "2026-03-01T00:00:00Z",
                    "address": "/v1/sites/tin-shed/flowsheets/main",
                }
            ]
        ],
    )


EXAMPLE: dict[str, Any] = {
    "valid_from": "2026-03-01T06:00:00+08:00",
    "note": "Invented data.",
    "flowsheet": _FLOWSHEET,
}
