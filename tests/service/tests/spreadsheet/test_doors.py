"""Workbooks and tables at the doors: by HTTP and at the command line, the same as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from click.testing import Result
from typer.testing import CliRunner

from service.cli import application
from service.kit.media import CSV, XLSM, XLSX
from service.kit.settings import Settings
from service.tests.schemas import MINIMAL_SHEET
from service.tests.schemas import TestSheet as Sheet
from service.tests.spreadsheet.service import in_form, kind_of, sheet_of
from tests.service.client import JSON, ask

from .books import SHEETS, TEST, book, table, with_cell

MINIMAL = Sheet.model_validate(MINIMAL_SHEET)


def _post(content: bytes, kind: str, **headers: str) -> httpx.Response:
    return ask("POST", "/v1/tests", content=content, headers={"Content-Type": kind, **headers})


def _figures(reply: httpx.Response) -> dict:
    """Give a reply without its time, and without the request, which keeps the ways of writing."""
    assert 200 == reply.status_code, reply.text
    found = reply.json()
    found["solver"]["engine_time_ms"] = None
    del found["balance_request"]
    return found


@pytest.mark.parametrize("kind", [XLSX, XLSM, CSV])
def test_every_form_of_a_sheet_brings_the_same_reply(kind: str) -> None:
    expected = ask("POST", "/v1/tests", content=json.dumps(MINIMAL_SHEET), headers=JSON)

    found = _post(sheet_of(MINIMAL, CSV if kind == CSV else XLSX), kind)

    assert _figures(expected) == _figures(found)


def test_a_table_of_windows_may_say_what_it_is() -> None:
    content = table(_with_client("Müller")).encode("cp1252")

    assert 200 == _post(content, "text/csv; charset=windows-1252").status_code
    assert 415 == _post(content, "text/csv; charset=koi8-r").status_code


def _with_client(name: str) -> dict:
    return {**SHEETS, "Test": [*TEST, ["client", name]]}


def test_faults_of_every_kind_are_told_together_by_cell_and_pointer() -> None:
    """What cannot be read, what the schema refuses, and what makes no sense in the test."""
    passes = [["pass", "kind", "fed", "gap, mm"], ["pass 1", "magnetick", "head", "4"]]
    trays = [
        ["pass", "tray", "what", "net", "gross", "tare", "Sn, %"],
        [None, "head", "head", 2500.2, None, None, "1,234"],
        ["pass 1", "mag 1", None, None, 100.6, 112.6, 3.4],
        ["pass 1", "nonmag", None, 1595.1, None, None, 47.3],
    ]
    refused = _post(book({**SHEETS, "Passes": passes, "Trays": trays}), XLSX)

    assert 422 == refused.status_code
    assert "application/problem+json" == refused.headers["content-type"]
    assert {
        ("sheet 'Trays', cell G2", "/head/assays/Sn", "unclear-comma"),
        ("sheet 'Passes', cell B2", "/passes/0/kind", "unknown-word"),
        ("sheet 'Trays', cell E3", "/passes/0/products/0/gross", "gross-below-tare"),
    } == {(f["cell"], f["pointer"], f["code"]) for f in refused.json()["faults"]}


def test_what_is_no_workbook_is_a_problem_and_no_defect() -> None:
    refused = _post(b"hello", XLSX)

    assert 400 == refused.status_code
    assert "/problems/unreadable-sheet" == refused.json()["type"]
    assert "The file is no workbook." in refused.json()["detail"]


def test_other_media_types_are_refused_with_those_that_are_taken() -> None:
    refused = _post(b"<x/>", "text/xml")

    assert 415 == refused.status_code
    assert f"application/json, {XLSX}" in refused.headers["accept"]
    assert 415 == _post(book(), XLSX, **{"Content-Encoding": "gzip"}).status_code


def test_the_blank_sheet_is_handed_out_as_a_workbook_or_a_table() -> None:
    as_workbook = ask("GET", "/v1/tests/sheet")
    as_table = ask("GET", "/v1/tests/sheet", headers={"Accept": CSV})

    assert (XLSX, sheet_of(None, XLSX)) == (
        as_workbook.headers["content-type"],
        as_workbook.content,
    )
    assert sheet_of(None, CSV) == as_table.content
    assert "test-sheet.csv" in as_table.headers["content-disposition"]
    assert 406 == ask("GET", "/v1/tests/sheet", headers={"Accept": "image/png"}).status_code


def test_a_blank_sheet_sent_back_is_told_what_is_missing() -> None:
    refused = _post(sheet_of(None, XLSX), XLSX)

    assert {"no-head", "no-passes"} == {f["code"] for f in refused.json()["faults"]}


def test_a_file_is_known_by_what_it_holds() -> None:
    contents = [book(), table().encode(), table().encode("utf-16"), b"\n {}", b"", b"no sheet"]

    kinds = [kind_of(content) for content in contents]

    assert [XLSX, CSV, CSV, "application/json", "application/json", "application/json"] == kinds


def test_one_form_can_be_turned_into_another() -> None:
    settings = Settings()
    as_table = in_form(book(), settings, CSV)

    again = json.loads(in_form(as_table, settings, "application/json"))

    assert json.loads(in_form(book(), settings, "application/json")) == again


def _run(*arguments: str) -> Result:
    return CliRunner().invoke(application, arguments)


def test_the_command_line_takes_what_it_hands_out(tmp_path: Path) -> None:
    """A blank sheet, a filled one, the table of a test; a slip is told by its cell."""
    blank, filled, wrong = (str(tmp_path / f"{n}.xlsx") for n in ("blank", "filled", "wrong"))
    Path(filled).write_bytes(book())
    Path(wrong).write_bytes(with_cell("G3", "n.a."))

    made = _run("sheet", blank)
    again = _run("sheet", blank)
    tested = _run("test", filled)
    refused = _run("test", wrong)

    assert (0, sheet_of(None, XLSX)) == (made.exit_code, Path(blank).read_bytes())
    assert 2 == again.exit_code
    assert "is there already" in again.stderr
    assert 0 == tested.exit_code, tested.stderr
    assert "mag 1" in tested.stdout
    assert 2 == refused.exit_code
    assert "sheet 'Trays', cell G3: 'n.a.' does not say" in refused.stderr


def test_a_filled_sheet_brings_the_report_of_its_test(tmp_path: Path) -> None:
    """The same page as of the JSON sheet, from the command and by 'Accept'."""
    page = tmp_path / "report.html"
    (tmp_path / "trays.xlsx").write_bytes(sheet_of(MINIMAL, XLSX))

    done = _run("report", str(tmp_path / "trays.xlsx"), "-o", str(page))

    assert 0 == done.exit_code, done.stderr
    sent = _post(sheet_of(MINIMAL, XLSX), XLSX, Accept="text/html")
    expected = ask(
        "POST",
        "/v1/tests",
        content=json.dumps(MINIMAL_SHEET),
        headers={**JSON, "Accept": "text/html"},
    )
    assert expected.content == sent.content == page.read_bytes()
