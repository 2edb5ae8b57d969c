"""The server killed under load, on either database: nothing acknowledged is lost or doubled."""

from __future__ import annotations

from fastapi import FastAPI

from .kills import killed
from .plant import build


def test_a_killed_server_loses_and_doubles_nothing(app: FastAPI, stored_url: str) -> None:
    """Ten kills at random moments; 'python -m tests.studies.kills' makes it hundreds."""
    build(app)
    app.state.store.close()

    verdict = killed(stored_url, kills=10, seed=1)

    assert verdict.is_clean, verdict
    # The kills must have met the load, or the test would show nothing.
    assert verdict.acknowledged > 0
    assert verdict.cut_off > 0
