"""Sheets broken at random: told as such, or read, but never a defect."""

from __future__ import annotations

import io
import zipfile
from random import Random

import pytest

from service.kit.media import CSV, XLSX
from service.kit.problems import Problem, RefusalError
from service.kit.settings import Settings
from service.tests.spreadsheet.service import json_sheet_of

from .books import book, patched, read, table

_PIECES = [
    *(b"", b"<", b">", b"&amp;", b'"', b"1e999", b"-1", b"NaN", b"\xff", b"99999999999"),
    *(b"A1048576", b"XFD1", b't="s"', b't="e"', b't="b"', b't="d"', b's="99"', b'r=""'),
    *(b"<v>", b"</c>", b'ref="B"', b"x:x", b",", b"\n"),
]


def _broken(content: bytes, chance: Random) -> bytes:
    broken = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        begin = chance.randrange(len(broken) + 1)
        broken[begin : begin + chance.randint(0, 12)] = chance.choice(_PIECES)
    return bytes(broken)


def _parts(content: bytes) -> list[str]:
    with zipfile.ZipFile(io.BytesIO(content)) as made:
        return [name for name in made.namelist() if name.startswith("xl/")]


def _problem(content: bytes, kind: str) -> Problem | None:
    try:
        read(content, kind)
        json_sheet_of(content, Settings())
    except RefusalError as refusal:
        return refusal.problem
    return None


@pytest.mark.parametrize("seed", range(4))
def test_a_broken_sheet_is_no_defect(seed: int) -> None:
    chance, whole, as_table = Random(seed), book(), table().encode()  # noqa: S311 - seeded
    parts = _parts(whole)
    for _ in range(15):
        part = chance.choice(parts)
        for content, kind in (
            (patched(whole, part, lambda held: _broken(held, chance)), XLSX),
            (_broken(as_table, chance), CSV),
        ):
            problem = _problem(content, kind)
            assert problem is None or (problem.status in {400, 422} and problem.detail)
