"""The command line: the same balance and the same words as the service."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from .client import EXAMPLES, example, minimal, post

CHECK_IMPORTS = """
import sys, service.cli
heavy = {{"fastapi", "numpy", "pydantic", "uvicorn", "numba", "cvxpy"}} & set(sys.modules)
assert not heavy, heavy
sys.argv = ["evenlode", "balance", {path!r}]
try:
    service.cli.main()
except SystemExit as end:
    assert not end.code, end.code
heavy = {{"fastapi", "uvicorn", "cvxpy"}} & set(sys.modules)
assert not heavy, heavy
"""


def run(
    *arguments: str, stdin: bytes = b"", **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """Run the command as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "service.cli", *arguments],
        input=stdin,
        capture_output=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(EXAMPLES.parents[1]), "COLUMNS": "100"} | environment,
    )


@pytest.fixture
def request_file(tmp_path: Path) -> Path:
    path = tmp_path / "request.json"
    path.write_text(json.dumps(minimal()), encoding="utf-8")
    return path


def _without_time(reply: Any) -> Any:
    reply["solver"].pop("engine_time_ms")
    return reply


@pytest.mark.parametrize("name", ["tin-shed", "plant-survey"])
def test_json_is_the_reply_of_the_service(name: str) -> None:
    """With --json the command prints what the service answers, the time taken aside."""
    done = run("balance", "--json", str(EXAMPLES / f"{name}.json"))

    assert 0 == done.returncode
    assert _without_time(post(example(name)).json()) == _without_time(json.loads(done.stdout))


def test_an_example_can_be_piped_into_a_balance() -> None:
    """'evenlode example NAME' prints the request, '-' reads it."""
    printed = run("example", "tin-shed")
    done = run("balance", "-", stdin=printed.stdout)

    assert (EXAMPLES / "tin-shed.json").read_bytes() == printed.stdout
    assert 0 == done.returncode
    assert b"middling 2" in done.stdout


def test_the_table_fits_and_says_what_matters() -> None:
    """A hundred columns, plain words: masses, yields, assays, recoveries, closure, test."""
    done = run("balance", str(EXAMPLES / "tin-shed.json"))
    text = done.stdout.decode()

    assert max(len(line) for line in text.splitlines()) <= 100
    for words in (
        "Outcome: closed.",
        "Mass, g",
        "yield, %",
        "ThO2, ppm",
        "Recovery, %",
        "not read",
        "Every quantity closes to",
        "degrees of freedom",
        "Largest adjustments",
        "A balance is not a certificate for custody transfer.",
    ):
        assert words in text
    assert "\x1b" not in text
    assert not re.search("[│┌┐└┘├┤─═║|]", text)


def test_a_value_is_rounded_to_two_digits_of_its_sd() -> None:
    """Two digits of the sd are shown, and the value to the same place (JCGM 100:2008, 7.2.6)."""
    reply = post(minimal()).json()
    mass = reply["streams"][0]["mass"]
    assert 3.5355 == pytest.approx(mass["sd"], abs=1e-3)

    text = run("balance", "-", stdin=json.dumps(minimal()).encode()).stdout.decode()

    assert f"{mass['value']:.1f} ± 3.5" in text


def test_the_examples_are_listed() -> None:
    """Without a name the examples are listed; with a wrong one too, and the status is 2."""
    wrong = run("example", "none")

    known = sorted(path.stem for path in EXAMPLES.rglob("*.json"))

    assert known == run("example").stdout.decode().split()
    assert 2 == wrong.returncode
    assert ", ".join(known).encode() in b" ".join(wrong.stderr.split())


def test_faults_are_lines_with_the_words_of_the_service() -> None:
    """Each fault is a line 'pointer: what mend' on standard error; the status is 2."""
    request = minimal()
    request["readings"][0]["sd"] = -1
    request["readings"][1]["stream"] = "mag 9"
    told = post(request).json()["faults"]

    done = run("balance", "-", stdin=json.dumps(request).encode())

    assert 2 == done.returncode
    assert b"" == done.stdout
    lines = done.stderr.decode().splitlines()
    assert [f"{f['pointer']}: {f['detail']} {f['mend']}" for f in told] == lines[1:]


def test_faults_in_json_are_the_problem_of_the_service() -> None:
    """With --json the problem is printed, without the id that only HTTP has."""
    done = run("balance", "--json", "-", stdin=b'{"a": NaN}')
    problem = post('{"a": NaN}').json()
    del problem["instance"]

    assert 2 == done.returncode
    assert problem == json.loads(done.stdout)


def test_no_balance_is_status_1() -> None:
    """Readings that lead to no balance are not bad input: the status is 1, with the reason."""
    request = minimal()
    for reading in request["readings"][:3]:
        reading["sd"] = 0

    done = run("balance", "-", stdin=json.dumps(request).encode())

    assert 1 == done.returncode
    assert b"stage 1" in done.stderr
    assert b"" == done.stdout


def test_a_missing_file_is_told_plainly(tmp_path: Path) -> None:
    """Status 2 and one line, no trace."""
    done = run("balance", str(tmp_path / "none.json"))

    assert 2 == done.returncode
    assert done.stderr.startswith(b"evenlode: there is no file")
    assert 1 == len(done.stderr.splitlines())


def test_a_directory_is_told_plainly(tmp_path: Path) -> None:
    """A directory is not a file."""
    done = run("balance", str(tmp_path))

    assert 2 == done.returncode
    assert b"is a directory" in done.stderr


@pytest.mark.parametrize(
    ("content", "words"), [(b"\xff\xfe\x00", b"not UTF-8"), (b"", b"empty"), (b"{", b"line 1")]
)
def test_a_file_that_is_not_json_is_told_plainly(
    tmp_path: Path, content: bytes, words: bytes
) -> None:
    """Status 2 with the place or the reason, no trace."""
    path = tmp_path / "bad.json"
    path.write_bytes(content)

    done = run("balance", str(path))

    assert 2 == done.returncode
    assert words in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_file_above_the_limit_is_refused(request_file: Path) -> None:
    """The limit of the service holds for files too."""
    done = run("balance", str(request_file), EVENLODE_BODY_LIMIT_BYTES="100")

    assert 2 == done.returncode
    assert b"longer than 100 bytes" in done.stderr


def test_a_wrong_setting_is_told_plainly(request_file: Path) -> None:
    """A limit that is no number is a usage error that names the variable."""
    done = run("balance", str(request_file), EVENLODE_STREAM_LIMIT="many")

    assert 2 == done.returncode
    assert b"EVENLODE_STREAM_LIMIT" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_reader_that_stops_early_is_no_error() -> None:
    """A closed pipe ends the output in silence."""
    with subprocess.Popen(
        [sys.executable, "-m", "service.cli", "balance", str(EXAMPLES / "tin-shed.json")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(EXAMPLES.parents[1])},
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        complaint = process.stderr.read()
        status = process.wait()

    assert (0, b"") == (status, complaint)


def test_a_terminal_without_the_sign_gets_words_it_knows(request_file: Path) -> None:
    """Where the encoding has no '±', '+/-' stands for it."""
    done = run("balance", str(request_file), PYTHONIOENCODING="ascii")

    assert 0 == done.returncode
    assert b"2496.5 +/- 3.5" in done.stdout


def test_names_cannot_steer_the_terminal() -> None:
    """What a request holds is shown, never obeyed."""
    request = minimal() | {"title": "red \x1b[31m title"}

    done = run("balance", "-", stdin=json.dumps(request).encode())

    assert b"\x1b" not in done.stdout
    assert b"red \\x1b[31m title" in done.stdout


def test_usage_errors_are_status_2() -> None:
    """An unknown command or option is a usage error."""
    assert 2 == run("blance").returncode
    assert 2 == run("balance", "--jsn", "x").returncode


def test_the_version_is_printed() -> None:
    """One line, one version."""
    assert re.fullmatch(rb"evenlode \d+\.\d+\.\d+\n", run("--version").stdout)


def test_a_balance_loads_no_web_framework(request_file: Path) -> None:
    """Starting the command loads nothing heavy; a balance loads no server and no judge."""
    done = subprocess.run(
        [sys.executable, "-c", CHECK_IMPORTS.format(path=str(request_file))],
        capture_output=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(EXAMPLES.parents[1])},
    )

    assert 0 == done.returncode, done.stderr.decode()
