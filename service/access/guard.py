"""The guard before every route: who calls, and whether this is theirs to do."""

from __future__ import annotations

from time import monotonic
from typing import Any

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.datastructures import Headers

from service.kit.caller import LOCAL, Caller, keep_caller
from service.kit.contract import may_end
from service.kit.problems import (
    KEY_NEEDED,
    NOT_FOUND,
    SCOPE_MISSING,
    STORE_UNAVAILABLE,
    RefusalError,
    refuse,
)
from service.store.calls import in_thread, store_of

from . import service
from .local import is_local
from .scopes import OF_THE_WHOLE, scope_of

_REALM = 'Bearer realm="evenlode"'

_BELIEVED_S = 1.0
"""Seconds for which it is believed that no key was made yet; that one was is believed for good."""


class FirstKey:
    """Remembers whether a key was ever made, so that not every request has to ask."""

    def __init__(self) -> None:
        self._is_made = False
        self._asked_at = -_BELIEVED_S

    async def is_made(self, request: Request) -> bool:
        """Say whether a key was ever made, until a second ago."""
        if not self._is_made and monotonic() - self._asked_at >= _BELIEVED_S:
            self._is_made = await in_thread(request, service.was_any_made, store_of(request))
            self._asked_at = monotonic()
        return self._is_made


async def guard(request: Request) -> None:
    """
    Let a request through to its route, once it is known who calls.

    Raises
    ------
    RefusalError
        401 without a key that holds, 403 where it does not open this, and 404 for what belongs to
        another site, as if it were not there.
    """
    route: APIRoute = request.scope["route"]
    operation = route.operation_id or route.name
    needed = scope_of(operation)
    if needed is None:
        return
    caller = await _caller(request)
    site = request.path_params.get("site")
    if site is not None and not caller.knows(site):
        raise _absent(site)
    if needed not in caller.scopes:
        raise _refuse_scope(needed, f"This needs the scope '{needed}', which the key has not.")
    if operation in OF_THE_WHOLE and caller.site is not None:
        raise _refuse_scope(needed, "This tells of all sites together, and the key is for one.")
    keep_caller(request.scope, caller)


async def _caller(request: Request) -> Caller:
    text = _key_in(request.headers)
    if text is not None:
        caller = await in_thread(request, service.recognised, store_of(request), text)
        if caller is None:
            raise _refuse_key("This key opens nothing: it is none, is over, or was revoked.", text)
        return caller
    settings, first = request.app.state.settings, request.app.state.first_key
    if settings.key_needed or not is_local(request.scope) or await first.is_made(request):
        raise _refuse_key("Send a key in the header 'Authorization: Bearer KEY'.", None)
    return LOCAL


def _key_in(headers: Headers) -> str | None:
    """Give the key that a request brings; an empty text where there is something, but no key."""
    given = headers.getlist("authorization")
    if not given:
        return None
    scheme, _, text = given[0].partition(" ")
    return text.strip() if len(given) == 1 and scheme.lower() == "bearer" else ""


def _refuse_key(detail: str, text: str | None) -> RefusalError:
    why = "" if text is None else ', error="invalid_token"'
    return refuse(KEY_NEEDED, detail, headers={"WWW-Authenticate": f"{_REALM}{why}"})


def _refuse_scope(needed: str, detail: str) -> RefusalError:
    challenge = f'{_REALM}, error="insufficient_scope", scope="{needed}"'
    return refuse(SCOPE_MISSING, detail, headers={"WWW-Authenticate": challenge})


def _absent(site: str) -> RefusalError:
    return refuse(NOT_FOUND, f"There is no site '{site[:80]}'.")


def write_into(document: dict[str, Any]) -> dict[str, Any]:
    """Say in the contract what each operation needs, and how it may be refused."""
    document["components"]["securitySchemes"] = {
        "key": {
            "type": "http",
            "scheme": "bearer",
            "description": "A key made by 'evenlode keys create'. None is needed on the machine "
            "itself as long as none was ever made.",
        }
    }
    for path, operations in document["paths"].items():
        for operation in operations.values():
            needed = scope_of(operation["operationId"])
            operation["security"] = [] if needed is None else [{"key": [str(needed)]}]
            if needed is not None:
                may_end(operation, KEY_NEEDED, SCOPE_MISSING, STORE_UNAVAILABLE)
            if "{site}" in path:
                may_end(operation, NOT_FOUND)
    return document
