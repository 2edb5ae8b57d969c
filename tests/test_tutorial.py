"""The tutorial from weighing to report, command by command, in an empty folder."""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli import application
from service.tests.schemas import TestSheet as Sheet

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "openapi" / "examples" / "tests" / "README.md").read_text(encoding="utf-8")


COMMAND = ".venv/bin/evenlode"


def _done(line: str) -> str:
    """
    Run a line as a shell would, and give what it complained of.

    The command itself runs within this process, since each start of its own takes seconds.
    """
    words = shlex.split(line)
    if words[0] != COMMAND:
        subprocess.run(["bash", "-euo", "pipefail", "-c", line], check=True)
        return ""
    may_fail = words[-2:] == ["||", "true"]
    words = words[:-2] if may_fail else words
    words, output = (words[:-2], words[-1]) if ">" in words else (words, "")
    done = CliRunner().invoke(application, words[1:])
    assert may_fail or 0 == done.exit_code, line + done.output
    if output:
        Path(output).write_text(done.stdout, encoding="utf-8")
    return done.stderr


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run every command of the page as it stands, and give the folder that they leave."""
    folder = tmp_path_factory.mktemp("tutorial")
    (folder / "openapi").symlink_to(ROOT / "openapi")
    lines = "".join(re.findall(r"^```sh\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)).splitlines()
    with contextlib.chdir(folder):
        complaints = [_done(line) for line in lines]
    assert sum(line.startswith(COMMAND) for line in lines) == PAGE.count(f"\n{COMMAND} ")
    (folder / "day" / "errors.txt").write_text("".join(complaints), encoding="utf-8")
    return folder / "day"


def _shown(mark: str) -> list[str]:
    (block,) = re.findall(rf"<!-- {mark} -->\n```text\n(.*?)```", PAGE, re.DOTALL)
    return str(block).splitlines()


@pytest.mark.parametrize(
    ("mark", "file"), [("first", "first"), ("finding", "first"), ("second", "second")]
)
def test_what_the_page_shows_is_what_the_commands_print(day: Path, mark: str, file: str) -> None:
    lines = _shown(mark)
    printed = iter((day / f"{file}.txt").read_text(encoding="utf-8").splitlines())

    assert lines
    assert [] == [line for line in lines if line not in printed]


def test_the_slip_is_found_and_gone_once_corrected(day: Path) -> None:
    first, second = ((day / f"{n}.txt").read_text(encoding="utf-8") for n in ("first", "second"))

    assert "weigh 'mag 3' again" in " ".join(first.split()).lower()
    assert "No error was found" in second


def test_the_sheets_of_the_page_say_the_same_in_every_form(day: Path) -> None:
    sheet = Sheet.model_validate(json.loads((day / "trays.json").read_text(encoding="utf-8")))
    (shown,) = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    (line,) = re.findall(r"```text\n(third field,mag 3.*)\n```", PAGE)

    tray = next(p for run in sheet.passes for p in run.products if p.name == "mag 3")
    told = tray.model_dump(exclude_unset=True)
    assert json.loads(shown)["gross"] == told["gross"]["value"]
    assert json.loads(shown)["tare"] == told["tare"]["shared"]
    assert line in (day / "with-a-slip.csv").read_text(encoding="utf-8-sig").splitlines()


def test_a_slip_of_the_pen_is_told_by_its_place(day: Path) -> None:
    told = (day / "errors.txt").read_text(encoding="utf-8")

    assert re.search(r"sheet 'Trays', line \d+, column [A-Z]: 'n\.a\.' does not say", told)


def test_page_and_sheets_of_paper_are_there(day: Path) -> None:
    assert (day / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert (day / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (day / "blank.xlsx").read_bytes().startswith(b"PK")
