"""The session of README, line by line, from an empty database."""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.service.client import ROOT, ask


def _block(mark: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(rf"<!-- {mark} -->\n```sh\n(.*?)```", text, re.DOTALL)
    return str(block)


def _lines() -> list[str]:
    return [line for line in _block("plant").splitlines() if line.startswith("curl ")]


def _sent(line: str, app: FastAPI) -> httpx.Response:
    """Send what a line of curl would."""
    words = shlex.split(line)
    headers = dict(words[i + 1].split(": ", 1) for i, word in enumerate(words) if word == "-H")
    files = [word[1:] for word in words if word.startswith("@")]
    content = (ROOT / files[0]).read_bytes() if files else None
    method = "PUT" if "PUT" in words else "POST" if files else "GET"
    address = words[-1].removeprefix("http://127.0.0.1:8000")
    return ask(method, address, app=app, content=content, headers=headers)


def test_the_session_of_readme_does_what_it_says(app: FastAPI) -> None:
    """Four documents are stored, a batch is taken, and what is odd in it is listed."""
    replies = [_sent(line, app) for line in _lines()]
    posted: dict[str, Any] = replies[4].json()

    assert [201, 201, 201, 201] == [reply.status_code for reply in replies[:4]]
    assert {"accepted": 11, "parked": 1, "rejected": 0, "repeated": 0, "superseded": 0} == {
        word: count for word, count in posted.items() if word != "lines"
    }
    assert [912] == [reading["value"] for reading in replies[5].json()["readings"]]
    assert ["WIT-999"] == [parked["tag"] for parked in replies[6].json()["parked"]]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """Start 'evenlode serve' in an empty folder, and give its address."""
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "EVENLODE_DATABASE_URL": f"sqlite:///{tmp_path / 'evenlode.db'}",
        "EVENLODE_ANSWER_WITHIN_S": "300",
        "EVENLODE_RECALCULATE_AFTER_S": "0.2",
        "EVENLODE_SMALL_WORKERS": "1",
        "EVENLODE_DRAIN_S": "0",
    }
    with subprocess.Popen(
        [sys.executable, "-m", "service.cli", "serve", "--port", "0"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        cwd=tmp_path,
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


def _run(block: str, address: str, folder: Path) -> str:
    """Run a block of README as a shell does, with the address of this server."""
    script = block.replace("http://127.0.0.1:8000", address)
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        capture_output=True,
        check=False,
        cwd=folder,
        text=True,
    )
    assert 0 == done.returncode, done.stdout + done.stderr
    return done.stdout


def test_from_an_empty_folder_to_a_signed_shift(served: str, tmp_path: Path) -> None:
    """Every command of both sessions, by curl, on a server that was just started."""
    (tmp_path / "openapi").symlink_to(ROOT / "openapi")
    _run(_block("plant"), served, tmp_path)

    printed = _run(_block("shift"), served, tmp_path)

    address = f"{served}/v1/sites/tin-shed/shifts/2026-03-01/day/balances/main"
    told = httpx.get(address).json()
    assert "signed" == told["standing"]
    assert f"{told['digest']}  -" in printed
    assert "flowsheet,shift,revision,streams" in printed
    assert "line,priority,disagrees" in printed
    assert '"kind":"sign"' in printed.splitlines()[-1]
    _wait_for_the_night(served)
    _keep_a_test(served, tmp_path)


def _keep_a_test(served: str, folder: Path) -> None:
    """The session of a kept test: posted, corrected, compared, fetched again."""
    printed = _run(_block("kept tests"), served, folder)

    assert "Pass 2, tray 'mag 2', gross: 231.7 -> 237.1." in printed
    assert (folder / "corrected.json").read_bytes() == (folder / "sheet.json").read_bytes()


def _wait_for_the_night(served: str) -> None:
    """What was posted of the night was out of range: its balance was tried by itself."""
    for _ in range(600):
        found = httpx.get(f"{served}/v1/sites/tin-shed/balances?stale=true").json()
        if not found["balances"]:
            return
    raise AssertionError("the service did not calculate what was due by itself")
