"""From a route, which must not wait, to a function that waits for the database."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ParamSpec, TypeVar

import anyio
import anyio.to_thread
from fastapi import FastAPI
from starlette.requests import Request

from service.kit.settings import Settings

from .engine import database_url
from .store import Store

_P = ParamSpec("_P")
_T = TypeVar("_T")


def install(app: FastAPI, settings: Settings) -> None:
    """Give the application its store, and as many threads for it as it has connections."""
    store = Store(
        database_url(settings.database_url),
        settings.database_connections,
        settings.database_wait_s,
    )
    app.state.store = store
    app.state.storage = anyio.CapacityLimiter(store.connections)


def store_of(request: Request) -> Store:
    """Give the store that answers a request."""
    store: Store = request.app.state.store
    return store


async def in_thread(
    request: Request, function: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs
) -> _T:
    """Run a function that waits for the database where it holds nothing else up."""
    return await in_thread_of(request.app, function, *args, **kwargs)


async def in_thread_of(
    app: FastAPI, function: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs
) -> _T:
    """Do the same where no request asks for it."""
    limiter: anyio.CapacityLimiter = app.state.storage
    return await anyio.to_thread.run_sync(partial(function, *args, **kwargs), limiter=limiter)
