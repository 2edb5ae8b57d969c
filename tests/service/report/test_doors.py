"""Where reports are had: by 'Accept' over HTTP, and from the command line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.cli import application
from service.kit.media import CSV, HTML, PDF, XLSX
from tests.service.client import BALANCES, EXAMPLES, JSON, ask, minimal


def run(*arguments: str) -> Result:
    """Run the command in this process."""
    return CliRunner().invoke(application, arguments)


def accepting(accept: str):
    return ask("POST", BALANCES, content=json.dumps(minimal()), headers=JSON | {"Accept": accept})


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "application/json"),
        ("text/html", HTML),
        ("text/html;q=0.4, application/json;q=0.5", "application/json"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", HTML),
        ("application/json;q=0, */*", HTML),
        (f"{PDF};q=0.1, image/*", PDF),
        (XLSX, XLSX),
        ("text/*;q=0.2, text/csv", CSV),
    ],
)
def test_the_form_is_the_one_that_is_accepted_best(accept: str, kind: str) -> None:
    """RFC 9110, 12.5.1: the most specific range counts, the highest weight wins."""
    reply = accepting(accept)

    assert 200 == reply.status_code
    assert kind == reply.headers["content-type"].partition(";")[0]
    assert "Accept" == reply.headers["vary"]


def test_a_form_that_there_is_not_is_refused_with_those_there_are() -> None:
    """406 as a problem that names every form."""
    reply = accepting("image/png")

    assert 406 == reply.status_code
    assert "application/problem+json" == reply.headers["content-type"]
    assert all(kind in reply.json()["detail"] for kind in (HTML, PDF, XLSX, CSV))


def test_a_fault_is_a_problem_whatever_is_accepted() -> None:
    """Who asks for a page and sends a faulty request is told so in the usual words."""
    reply = ask("POST", BALANCES, content="{}", headers=JSON | {"Accept": "text/html"})

    assert 422 == reply.status_code
    assert "application/problem+json" == reply.headers["content-type"]


def test_a_report_is_written_to_a_file(tmp_path: Path) -> None:
    """From a request and from the reply to it the page is the same, byte by byte."""
    of_request, kept, of_reply = (tmp_path / n for n in ("a.html", "reply.json", "b.html"))
    source = EXAMPLES / "flow-network.json"

    assert 0 == run("report", str(source), "-o", str(of_request)).exit_code
    assert 0 == run("report", str(source), "-o", str(kept)).exit_code
    assert 0 == run("report", str(kept), "-o", str(of_reply)).exit_code

    assert of_request.read_bytes() == of_reply.read_bytes()
    assert of_request.read_bytes().startswith(b"<!doctype html>")
    assert {"a.html", "reply.json", "b.html"} == {path.name for path in tmp_path.iterdir()}


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    """Unless it is said that it may be written over."""
    path = tmp_path / "report.html"
    path.write_text("kept", encoding="utf-8")
    source = str(EXAMPLES / "flow-network.json")

    refused = run("report", source, "-o", str(path))

    assert (2, "kept") == (refused.exit_code, path.read_text(encoding="utf-8"))
    assert "--replace" in refused.stderr
    assert 0 == run("report", source, "-o", str(path), "--replace").exit_code
    assert path.read_text(encoding="utf-8") != "kept"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("report.doc", "{}", "names no form"),
        ("report.html", "{", "not JSON"),
        ("report.html", '{"outcome": "closed", "streams": []}', "/closure"),
        ("no/such/folder.html", None, "cannot be written"),
    ],
)
def test_what_cannot_be_reported_is_told(
    tmp_path: Path, name: str, content: str | None, words: str
) -> None:
    """Status 2, the reason on standard error, and no file left behind."""
    given = tmp_path / "given.json"
    given.write_text(json.dumps(minimal()) if content is None else content, encoding="utf-8")

    done = run("report", str(given), "-o", str(tmp_path / name))

    assert 2 == done.exit_code
    assert words in done.stderr
    assert ["given.json"] == [path.name for path in tmp_path.iterdir()]
