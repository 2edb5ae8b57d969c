"""The server killed under load, on either database: nothing acknowledged is lost or doubled."""

from __future__ import annotations

from .kills import killed


def test_a_killed_server_loses_and_doubles_nothing(plant_url: str) -> None:
    """Ten kills at random moments; 'python -m tests.studies.kills' makes it hundreds."""
    verdict = killed(plant_url, kills=10, seed=1)

    assert verdict.is_clean, verdict
    # The kills must have met the load, or the test would show nothing.
    assert verdict.acknowledged > 0
    assert verdict.cut_off > 0
