"""The session of README, line by line, from an empty database."""

from __future__ import annotations

import re
import shlex
from typing import Any

import httpx
from fastapi import FastAPI

from tests.service.client import ROOT, ask


def _lines() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"<!-- plant -->\n```sh\n(.*?)```", text, re.DOTALL)
    return [line for line in block.splitlines() if line.startswith("curl ")]


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
