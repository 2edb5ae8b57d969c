"""'evenlode serve' as a user meets it: a real server on a free port."""

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator

import httpx
import pytest

from .client import EXAMPLES, JSON, minimal

PATIENCE_S = 60.0
"""The first balance waits for a worker to start, which takes its time on a busy machine."""


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Start the server on a port the system chooses, and stop it by its own process."""
    with subprocess.Popen(
        [sys.executable, "-m", "service.cli", "serve", "--port", "0"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ
        | {"PYTHONPATH": str(EXAMPLES.parents[1]), "EVENLODE_BODY_LIMIT_BYTES": "100000"},
    ) as server:
        assert server.stderr is not None
        try:
            yield next(
                found[1]
                for line in server.stderr
                if (found := re.search(r"running on (http://127\.0\.0\.1:\d+)", line))
            )
        finally:
            server.send_signal(signal.SIGTERM)


def test_a_request_over_the_wire_gives_a_balance(address: str) -> None:
    """The server listens on this machine only, and answers what the tests in process see."""
    reply = httpx.post(
        f"{address}/v1/balances", content=json.dumps(minimal()), headers=JSON, timeout=PATIENCE_S
    )

    assert 200 == reply.status_code
    assert "closed" == reply.json()["outcome"]
    assert "server" not in reply.headers


def test_a_large_chunked_body_is_cut_off_over_the_wire(address: str) -> None:
    """A body without a length is refused as soon as it passes the limit."""
    chunks = (b" " * 10_000 for _ in range(11))

    reply = httpx.post(f"{address}/v1/balances", content=chunks, headers=JSON, timeout=PATIENCE_S)

    assert 413 == reply.status_code
    assert 100_000 == reply.json()["limit_bytes"]


def test_the_server_answers_others_after_a_refusal(address: str) -> None:
    """A refused body leaves the server well."""
    httpx.post(f"{address}/v1/balances", content=b"{", headers=JSON, timeout=PATIENCE_S)

    assert {"status": "alive"} == httpx.get(f"{address}/livez").json()
