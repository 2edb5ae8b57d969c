"""What tests on a whole plant share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI

from service.app import create_app
from service.kit.settings import Settings
from tests import databases

from . import plant


@pytest.fixture(params=databases.KINDS)
def plant_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the URL of a database of either kind that holds the invented plant."""
    with databases.database(request.param, tmp_path, plant.fill) as url:
        yield url


@pytest.fixture
def plant_app(plant_url: str) -> Iterator[FastAPI]:
    """Give the service on a database of either kind that holds the invented plant."""
    made = create_app(Settings(database_url=plant_url))
    yield made
    made.state.store.close()
