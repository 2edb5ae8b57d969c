"""What tests of the stored side share: the service on either database."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI

from service.app import create_app
from service.kit.settings import Settings
from service.store import Store
from tests import databases


@pytest.fixture(params=databases.KINDS)
def stored_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the URL of a database of either kind, at the newest revision and empty."""
    with databases.database(request.param, tmp_path) as url:
        yield url


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service on a database of either kind."""
    made = create_app(Settings(database_url=stored_url))
    yield made
    made.state.store.close()


@pytest.fixture
def store(app: FastAPI) -> Store:
    """Give the store of that service."""
    found: Store = app.state.store
    return found
