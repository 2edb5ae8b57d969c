"""Tables as text, as programs of all kinds write them."""

from __future__ import annotations

import pytest

from service.kit.media import CSV
from service.kit.problems import RefusalError
from service.tests.schemas import MINIMAL_SHEET
from service.tests.schemas import TestSheet as Sheet
from service.tests.spreadsheet.fill import normal_form
from service.tests.spreadsheet.service import sheet_of
from service.tests.spreadsheet.write_table import guarded, unguarded

from .books import SHEETS, book, read, slips, table, with_trays

EXPECTED = normal_form(Sheet.model_validate(read(book()).document))


@pytest.mark.parametrize(
    "content",
    [
        table().encode(),
        table().encode("utf-8-sig"),
        table().encode("utf-16"),
        table(mark=";").encode(),
        table(mark="\t").encode(),
        table(mark=";", comma=True).replace("3.38; 3.44", "3,38; 3,44").encode("utf-8-sig"),
        b"sep=;\r\n" + table(mark=";", comma=True).encode(),
        table().replace("\r\n", "\n").encode(),
        ("Anything before the first sheet\r\n\r\n" + table()).encode(),
    ],
)
def test_marks_encodings_and_line_ends_make_no_difference(content: bytes) -> None:
    filled = read(content, CSV)

    assert [] == filled.slips
    assert EXPECTED == normal_form(Sheet.model_validate(filled.document))


def test_what_is_not_utf_8_is_of_windows() -> None:
    content = table({**SHEETS, "Test": [["what", "entry"], ["client", "Müller ± Söhne, µ"]]})

    assert "Müller ± Söhne, µ" == read(content.encode("cp1252"), CSV).document["sample"]["client"]


@pytest.mark.parametrize("content", [b"\x81\x8d", b"Trays\x00", b"\xff\xfe\x00"])
def test_what_is_no_text_is_refused(content: bytes) -> None:
    with pytest.raises(RefusalError) as refused:
        read(content, CSV)

    assert 400 == refused.value.problem.status


def test_a_slip_is_named_by_the_line_of_the_file() -> None:
    """Sheets stand below one another, so a row of a sheet says less than the line."""
    rows = with_trays(
        [None, "head", "head", 2500.2, None, None, "n.a."],
        ["pass 1", "mag 1", None, None, "half", 112.6, 3.4],
    )

    assert {
        "sheet 'Trays', line 16, column G": "unclear-word",
        "sheet 'Trays', line 17, column E": "not-a-number",
    } == slips(table(rows).encode(), CSV)


def test_in_a_table_of_commas_a_doubtful_comma_is_refused() -> None:
    rows = with_trays([None, "head", "head", "2,500", None, None, 31.2])

    assert ["unclear-comma"] == list(slips(table(rows).encode(), CSV).values())
    assert [] == list(slips(table(rows, mark=";").encode(), CSV).values())


def test_a_sheet_that_begins_twice_is_refused() -> None:
    content = table() + "\r\n" + table({"Trays": SHEETS["Trays"]})

    assert "repeated-sheet" in slips(content.encode(), CSV).values()


def test_a_table_of_something_else_is_told_what_was_expected() -> None:
    assert "missing-sheet" in slips(b"a,b\r\n1,2\r\n", CSV).values()


def test_an_unclosed_quote_or_endless_cell_is_no_defect() -> None:
    with pytest.raises(RefusalError):
        read(b'Trays\r\n"' + b"x" * 200_000, CSV)


def test_the_table_written_out_is_read_back() -> None:
    sheet = Sheet.model_validate(MINIMAL_SHEET)

    filled = read(sheet_of(sheet, CSV), CSV)

    assert [] == filled.slips
    assert normal_form(sheet) == normal_form(Sheet.model_validate(filled.document))


@pytest.mark.parametrize("name", ["=cmd|'/C calc'!A0", "+1", "-1", "@sum", "'=x", "'", "plain"])
def test_no_cell_of_a_table_is_a_formula(name: str) -> None:
    """A program that opens it shows text; read back, the name is as it was."""
    assert guarded(name)[:1] not in {"=", "+", "-", "@"}
    assert name == unguarded(guarded(name))
