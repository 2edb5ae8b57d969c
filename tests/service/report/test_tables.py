"""The report as a workbook and as one table: whole figures, and nothing that runs as a formula."""

import csv
import io
import json

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.balances.report import document_of
from service.kit.figures import plus_minus
from service.report.tidy import COLUMNS, guarded, tidy
from service.report.workbook import format_of, workbook
from tests.service.client import EXAMPLE_NAMES

from .replies import HOSTILE, hostile_reply, reply_to


def lines(name: str) -> list[dict[str, str]]:
    text = tidy(document_of(reply_to(name))).decode()
    return list(csv.DictReader(io.StringIO(text, newline="")))


# --- one table ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_the_table_holds_the_figures_of_the_reply(name: str) -> None:
    """Mass, yield and assays of what enters and leaves, to the last digit, with sd and unit."""
    wire = json.loads(reply_to(name).model_dump_json(by_alias=True))
    found = {
        (line["row"], line["quantity"]): line
        for line in lines(name)
        if line["section"] == "products"
    }
    for stream in (s for s in wire["streams"] if s["role"] != "internal"):
        row = ", ".join(filter(None, [stream["name"], stream["period"]]))
        quantities = [("mass", stream["mass"]), ("yield", stream["yield"])]
        if stream["mass"]["value"] and stream["role"] != "unaccounted":
            quantities += [(assay["component"], assay) for assay in stream["assays"]]
        for quantity, of in quantities:
            line = found[guarded(row), guarded(quantity)]
            if of["value"] is not None:
                shown = plus_minus(of["value"], of["sd"])
                assert (of["value"], of["sd"]) == (float(line["value"]), float(line["sd"]))
                assert line["text"] in {guarded(shown), f"({shown})"}
                assert (of["unit"] or "") == line["unit"]


def test_every_figure_has_its_unit() -> None:
    """But the adjustments in their own standard deviations, which have none."""
    without = {line["quantity"] for line in lines("tin-shed") if line["value"] and not line["unit"]}

    assert {"in its own sd"} == without


def test_the_table_has_its_columns_and_bytes() -> None:
    """RFC 4180 in UTF-8, the same for the same reply."""
    document = document_of(reply_to("tin-shed"))
    content = tidy(document)

    assert content.startswith(",".join(COLUMNS).encode() + b"\r\n")
    assert tidy(document) == content


@given(st.text(min_size=1))
def test_no_words_begin_a_formula(text: str) -> None:
    """Whatever a name is, a spreadsheet takes it for words; nothing but an apostrophe is added."""
    shown = guarded(text)

    assert shown[0] not in "=+-@\t\r"
    assert text in {shown, shown[1:]}


# --- the workbook ---------------------------------------------------------------------------


def test_the_workbook_holds_numbers_that_show_as_in_the_other_forms() -> None:
    """A cell holds the whole figure, its format the digits that are known; the sd beside it."""
    reply = reply_to("tin-shed")
    sheet = openpyxl.load_workbook(io.BytesIO(workbook(document_of(reply))))["Products"]
    cells = {row[0].value: row for row in sheet.iter_rows()}

    for stream in reply.streams:
        if stream.role == "internal" or stream.mass.value is None or not stream.mass.sd:
            continue
        value, sd = cells[stream.name][1:3]
        decimals = len(value.number_format.partition(".")[2])
        assert pytest.approx(stream.mass.value, rel=1e-14) == value.value
        assert pytest.approx(stream.mass.sd, rel=1e-14) == sd.value
        shown = f"{value.value:.{decimals}f} ± {sd.value:.{decimals}f}"
        assert plus_minus(stream.mass.value, stream.mass.sd) == shown


def test_each_section_has_a_sheet() -> None:
    """The answer first, then the sections in their order."""
    document = document_of(reply_to("tin-shed"))
    book = openpyxl.load_workbook(io.BytesIO(workbook(document)))

    assert ["In short", *(s.key.capitalize() for s in document.sections)] == book.sheetnames
    first = [row[0].value for row in book["In short"].iter_rows()]
    assert set(document.answer) <= set(first)


def test_hostile_names_are_words_in_the_workbook() -> None:
    """No cell is a formula, and what begins like one stays words even when it is edited."""
    book = openpyxl.load_workbook(io.BytesIO(workbook(document_of(hostile_reply()))))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]

    assert [] == [cell.value for cell in cells if cell.data_type == "f"]
    named = [cell for cell in cells if cell.value == HOSTILE[1]]
    assert named
    assert all(cell.quotePrefix for cell in named)


def test_the_workbook_is_the_same_for_the_same_reply() -> None:
    """No time of making, no order of a set."""
    document = document_of(reply_to("tin-shed"))

    assert workbook(document) == workbook(document)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2499.9", "0.0"),
        ("34400", "0"),
        ("1.2e-07", "0.0E+00"),
        ("+0.07", "+0.00;-0.00"),
        ("-0.07", "0.00"),
    ],
)
def test_a_format_shows_as_many_digits_as_the_text(text: str, expected: str) -> None:
    assert expected == format_of(text)
