"""Which balance an address names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from service.kit.identifiers import is_key
from service.kit.problems import NOT_FOUND, RefusalError, refuse

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Place:
    """A flowsheet of a site over a shift of a production day."""

    site: str
    flowsheet: str
    day: date
    shift: str

    @property
    def address(self) -> str:
        """Its address."""
        shift = f"shifts/{self.day.isoformat()}/{self.shift}"
        return f"/v1/sites/{self.site}/{shift}/balances/{self.flowsheet}"

    def absent(self) -> RefusalError:
        """Give the refusal where there is no such balance."""
        what = f"of '{self.flowsheet}' over {self.day.isoformat()}/{self.shift}"
        return refuse(NOT_FOUND, f"The site has no balance {what}.")


def place_of(site: str, flowsheet: str, day: str, shift: str) -> Place:
    """
    Read an address.

    Raises
    ------
    RefusalError
        404 where its parts can name nothing.
    """
    try:
        read = date.fromisoformat(day if _DAY.fullmatch(day) else "")
    except ValueError:
        raise refuse(NOT_FOUND, "A production day is written like 2026-03-01.") from None
    if not is_key(shift) or not is_key(flowsheet):
        raise refuse(NOT_FOUND, "The site has no such balance.")
    return Place(site, flowsheet, read, shift)
