"""Reports as further forms of a reply, for routes."""

from __future__ import annotations

from functools import partial
from typing import Protocol

from service.kit.settings import Settings
from service.kit.stateless import OtherForm

from .forms import WORDS


class Reporting(Protocol):
    """From the body of a request to a report in the form of a media type."""

    def __call__(self, body: bytes, settings: Settings, media_type: str) -> bytes:
        """Give the report; a function of a module, found by name."""
        ...


def other_forms(report: Reporting) -> dict[str, OtherForm]:
    """Give the forms of a reply that are reports, by media type."""
    return {
        kind: OtherForm(partial(report, media_type=kind), words) for kind, words in WORDS.items()
    }
