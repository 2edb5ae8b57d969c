"""Who calls: found out once for each request, kept on its scope."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from starlette.requests import Request
from starlette.types import Scope as AsgiScope

_PLACE = "evenlode.caller"


class Scope(StrEnum):
    """What a caller may do; none includes another."""

    READ = "read"
    POST = "post"
    SIGN = "sign"
    ADMINISTER = "administer"


@dataclass(frozen=True, slots=True)
class Caller:
    """
    Who calls.

    ``id`` is that of the key, empty for one who needs none; ``name`` says whose key it is.
    ``site`` is the key of the one site that the caller may know of; None is every site.
    """

    id: str
    name: str
    site: str | None
    scopes: frozenset[Scope]

    def knows(self, site: str) -> bool:
        """Say whether the caller may know of a site."""
        return self.site is None or self.site == site


LOCAL = Caller("", "this machine", None, frozenset(Scope))
"""Whoever calls from this machine while no key has been made."""


def keep_caller(scope: AsgiScope, caller: Caller) -> None:
    """Keep who calls."""
    scope[_PLACE] = caller


def caller_of(request: Request) -> Caller:
    """
    Give who calls.

    Raises
    ------
    LookupError
        where nobody has found it out, which is a defect.
    """
    found: Caller = request.scope[_PLACE]
    return found
