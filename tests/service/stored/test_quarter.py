"""
A simulated plant's month: whatever the order in which readings come, the same balances come out.

One plant posts in order. The other posts late, doubled, shuffled over all shifts and with
corrections before what they correct, and calculates in between. The quarter is run, and measured,
by ``python -m tests.benchmarks.quarter``.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from service.app import create_app
from service.kit.settings import Settings
from service.shifts.replay import replayed
from service.shifts.repository import Filters
from tests import databases

from .months import A_MONTH, SETTINGS, calculate_all, digests, disordered, post_all, read_in
from .shift_plant import build


@pytest.fixture(scope="module")
def in_order(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give the digests of the balances of a month posted in order."""
    with databases.database("sqlite", tmp_path_factory.mktemp("month")) as url:
        app = create_app(Settings(database_url=url))
        build(app)
        post_all(app, read_in(A_MONTH), 400)
        calculate_all(app.state.store)
        found = digests(app.state.store)
        app.state.store.close()
    assert A_MONTH == len(found)
    return found


def test_a_month_in_no_order_ends_in_the_balances_of_the_month_in_order(
    stored_url: str, in_order: dict[str, str]
) -> None:
    """The digests of all balances are the same, so every byte of what went in and came out is."""
    app = create_app(Settings(database_url=stored_url))
    build(app)
    post_all(app, disordered(read_in(A_MONTH), 3), 60, seed=7)
    calculate_all(app.state.store)

    found = digests(app.state.store)

    assert in_order == found
    again = islice(replayed(app.state.store, "tin-shed", Filters(), SETTINGS), 5)
    assert {"identical"} == {one.verdict for one in again}
    app.state.store.close()


def test_another_reading_leads_to_another_digest(tmp_path: Path, in_order: dict[str, str]) -> None:
    """The comparison can fail: one assay that differs in its last digit, one balance differs."""
    lines = read_in(2)
    assay = next(line for line in lines if line.get("sample_point") == "NONMAG")
    assay["value"] = round(assay["value"] + 0.001, 3)
    with databases.database("sqlite", tmp_path) as url:
        app = create_app(Settings(database_url=url))
        build(app)
        post_all(app, lines, 400)
        calculate_all(app.state.store)
        found = digests(app.state.store)
        app.state.store.close()

    assert [False, True] == [in_order[address] == digest for address, digest in found.items()]
