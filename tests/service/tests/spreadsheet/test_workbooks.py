"""Workbooks as people fill them in: what is read, and what is refused by its cell."""

from __future__ import annotations

import io
import json
import zipfile
from datetime import datetime
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from service.kit.problems import RefusalError
from service.tests.schemas import MINIMAL_SHEET
from service.tests.schemas import TestSheet as Sheet
from service.tests.spreadsheet import package
from service.tests.spreadsheet.fill import normal_form
from service.tests.spreadsheet.service import sheet_of

from .books import ASSAYS, PASSES, SHEETS, TRAYS, book, patched, read, slips, with_cell, with_trays

TRAYS_XML = "xl/worksheets/sheet4.xml"


def _normal(document: dict[str, Any]) -> dict[str, Any]:
    return normal_form(Sheet.model_validate(document))


def _product(content: bytes, row: int = 0) -> dict[str, Any]:
    filled = read(content)
    assert [] == filled.slips
    product: dict[str, Any] = filled.document["passes"][0]["products"][row]
    return product


def test_a_workbook_typed_by_hand_is_the_json_sheet() -> None:
    filled = read(book())

    assert [] == filled.slips
    expected = {k: v for k, v in MINIMAL_SHEET.items() if k != "note"}
    expected["passes"][0]["name"] = "pass 1"  # type: ignore[index]
    assert _normal(expected) == _normal(filled.document)


def test_each_member_knows_its_cell() -> None:
    filled = read(book())

    assert "sheet 'Trays', cell G3" == filled.cell("/passes/0/products/0/assays/Sn")
    assert "sheet 'Trays', cell E3" == filled.cell("/passes/0/products/0/gross")
    assert "sheet 'Trays', row 4" == filled.cell("/passes/0/products/1/loss/sd")
    assert "sheet 'Passes', cell D2" == filled.cell("/passes/0/settings/gap/value")
    assert "sheet 'Assays', cell C2" == filled.cell("/errors/assays/Sn/sd")
    assert "sheet 'Test', cell B3" == filled.cell("/errors/weighing/sd")
    assert "sheet 'Passes', cell C2" == filled.cell("/passes/0/fed/0")


@pytest.mark.parametrize(
    ("cell", "value", "code"),
    [
        ("G3", "1,234", "unclear-comma"),
        ("G3", "n.a.", "unclear-word"),
        ("G3", datetime(2026, 3, 1), "date-for-number"),  # noqa: DTZ001 - as programs write them
        ("E3", "half a kilo", "not-a-number"),
        ("D4", "yes", "not-a-number"),
        ("G4", "#DIV/0!", "cell-error"),
        ("G4", "=G3*2", "formula-without-result"),
        ("C2", "headd", "unknown-word"),
        ("A3", "pass 7", "unknown-pass"),
        ("G1", "Sn", None),
        ("G1", "operator", "unknown-column"),
        ("F1", "Net", "repeated-column"),
        ("H2", "a remark", "no-heading"),
    ],
)
def test_a_cell_that_cannot_be_taken_is_named(cell: str, value: Any, code: str | None) -> None:
    """A heading without a unit does where the sheet 'Assays' tells it."""
    expected = {} if code is None else {f"sheet 'Trays', cell {cell}": code}

    assert expected == slips(with_cell(cell, value))


def test_numbers_typed_as_text_and_spaces_around_words_make_no_difference() -> None:
    changed = with_trays(
        TRAYS[1],
        [" Pass 1", "mag 1 ", None, None, "1017.6", " 112,6 ", "3.38; 3.44"],
        TRAYS[3],
        headings=["PASS", "tray ", "What", "net", "gross", "tare", "Sn (%)"],
    )

    assert _normal(read(book()).document) == _normal(read(book(changed)).document)


def test_blank_cells_are_not_measured() -> None:
    assert "assays" not in _product(with_cell("G3", "   "))
    assert "assays" not in _product(with_cell("G3", None))


def test_columns_in_another_order_and_rows_between_make_no_difference() -> None:
    def turned(row: Any) -> list[Any]:
        return [row[6], row[1], row[0], row[2], row[3], row[5], row[4]]

    rows = [turned(row) for row in TRAYS]
    changed = book(
        {**SHEETS, "Trays": [["Anything above the headings"], [], *rows[:2], [], *rows[2:]]}
    )

    assert _normal(read(book()).document) == _normal(read(changed).document)


def test_a_percentage_format_shows_a_hundred_times_what_it_holds() -> None:
    def as_share(made: Workbook) -> None:
        made["Trays"]["G4"].value = 0.473
        made["Trays"]["G4"].number_format = "0.0%"

    filled = read(book(then=as_share))

    assert [("percentage-format", "G4")] == [(s.code, "G4") for s in filled.slips]
    assert "it holds 0.473 and shows 47.3 %" in filled.slips[0].what


def test_what_does_not_meet_the_eye_is_refused() -> None:
    """Hidden rows, hidden columns and merged cells that hold something."""

    def hide(made: Workbook) -> None:
        page = made["Trays"]
        page.row_dimensions[4].hidden = True
        page.column_dimensions["F"].hidden = True
        page.merge_cells("A3:A4")

    assert {
        "sheet 'Trays', row 4": "hidden-row",
        "sheet 'Trays', cell F1": "hidden-column",
        "sheet 'Trays', cell F3": "hidden-column",
        "sheet 'Trays', cell A3": "merged-cells",
        "sheet 'Trays', row 4 ": "no-pass",
    }.keys() - {"sheet 'Trays', row 4 "} <= slips(book(then=hide)).keys()


def test_the_saved_result_of_a_formula_counts() -> None:
    """As a spreadsheet program saves it: the formula, and what came of it."""

    def with_result(sheet: bytes) -> bytes:
        assert b"<f>1000+17.6</f><v />" in sheet
        return sheet.replace(b"<f>1000+17.6</f><v />", b"<f>1000+17.6</f><v>1017.6</v>")

    bare = with_cell("E3", "=1000+17.6")
    saved = patched(bare, TRAYS_XML, with_result)

    assert {"sheet 'Trays', cell E3": "formula-without-result"} == slips(bare)
    assert 1017.6 == _product(saved)["gross"]


def test_an_assay_column_of_its_own_unit_says_so_in_each_result() -> None:
    product = _product(with_cell("G1", "Sn, ppm"), 1)

    assert {"Sn": {"value": 47.3, "unit": "ppm"}} == product["assays"]


def test_an_element_that_stands_in_a_heading_alone_joins_the_components() -> None:
    rows = [[*row, cell] for row, cell in zip(TRAYS, ["ThO2, ppm", 2260, 105, "<50"], strict=True)]

    filled = read(book({**SHEETS, "Trays": rows}))

    assert [{"name": "Sn", "unit": "%"}, {"name": "ThO2", "unit": "ppm"}] == filled.document[
        "components"
    ]
    assert {"below": 50} == filled.document["passes"][0]["products"][1]["assays"]["ThO2"]


def test_an_assay_column_without_any_entry_is_no_component() -> None:
    rows = [[*row, cell] for row, cell in zip(TRAYS, ["W, %", None, None, None], strict=True)]

    assert 1 == len(read(book({**SHEETS, "Trays": rows})).document["components"])


def test_trays_combined_parts_tares_feeds_and_what_was_kept() -> None:
    """Whatever a test can be has its way to be filled in."""
    passes = [
        ["pass", "kind", "fed", "part fed", "field, T", "further"],
        ["scalp", "scalping", "head", 1000, "3500 G", None],
        [None, "magnetic", "rest A; head", "; rest", 0.9, '{"note": "twice"}'],
    ]
    trays = [
        ["pass", "tray", "what", "net", "gross", "tare", "magnetic", "loss expected", "loss sd"],
        [None, "head", "head", 2500, None, None, None, None, None],
        [None, "head", "kept", 10.2, None, None, None, None, None],
        ["scalp", "mag A", None, None, 150, "steel trays", "yes", None, None],
        ["scalp", "rest A", None, "850 ± 2", None, None, "no", None, None],
        ["pass 2", None, "feed", 2300, None, None, None, None, None],
        ["2", "mag B", None, None, None, None, True, None, None],
        ["pass 2", "dust", None, None, None, None, None, 20, 10],
    ]
    tares = [["name", "weighed", "spread"], ["steel trays", 112.6, 0.3]]

    filled = read(book({"Passes": passes, "Trays": trays, "Tares": tares}))

    assert [] == filled.slips
    assert {
        "tares": [{"name": "steel trays", "weighed": 112.6, "spread": 0.3}],
        "head": {"name": "head", "net": 2500, "kept": {"net": 10.2}},
        "passes": [
            {
                "name": "scalp",
                "kind": "scalping",
                "fed": {"of": "head", "net": 1000},
                "settings": {"field": {"value": 3500, "unit": "G"}},
                "products": [
                    {"name": "mag A", "gross": 150, "tare": "steel trays", "magnetic": True},
                    {"name": "rest A", "net": {"value": 850, "sd": 2}, "magnetic": False},
                ],
            },
            {
                "kind": "magnetic",
                "note": "twice",
                "fed": ["rest A", {"of": "head", "rest": True}],
                "settings": {"field": {"value": 0.9, "unit": "T"}},
                "feed": {"net": 2300},
                "products": [
                    {"name": "mag B", "magnetic": True},
                    {"name": "dust", "loss": {"expected": 20, "sd": 10}},
                ],
            },
        ],
    } == filled.document


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "code"),
    [
        ("Passes", "C2", '["head"', "malformed-json"),
        ("Passes", "D2", "wide", "not-a-number"),
        ("Test", "A2", "tittle", "unknown-entry"),
        ("Test", "B3", "good", "not-a-number"),
        ("Assays", "A2", None, "no-name"),
        ("Assays", "B1", "units", "no-headings"),
    ],
)
def test_slips_on_the_other_sheets_are_named_too(
    sheet: str, cell: str, value: Any, code: str
) -> None:
    assert code in slips(with_cell(cell, value, sheet)).values()


def test_parts_that_do_not_fit_the_names_are_refused() -> None:
    passes = [[*PASSES[0], "part fed"], [*PASSES[1], "rest; 12"]]

    found = slips(book({**SHEETS, "Passes": passes}))

    assert {"sheet 'Passes', cell E2": "parts-do-not-fit"} == found


def test_a_workbook_of_something_else_is_told_what_was_expected() -> None:
    filled = read(book({"Sheet1": [["a", 1]]}))

    assert ["missing-sheet"] == [slip.code for slip in filled.slips]
    assert "'Test', 'Assays', 'Tares', 'Passes', 'Trays'" in filled.slips[0].mend


def test_sheets_told_apart_by_capitals_only_are_refused() -> None:
    assert "repeated-sheet" in slips(book({**SHEETS, "trays ": TRAYS})).values()


# --- files that are no workbooks, or not harmless -------------------------------------------------


def _refused(content: bytes) -> str:
    with pytest.raises(RefusalError) as refused:
        read(content)
    assert 400 == refused.value.problem.status
    return refused.value.problem.detail


def _zip(**parts: bytes) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in parts.items():
            made.writestr(name.replace("__", "/"), content)
    return written.getvalue()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "The file is no workbook."),
        (b"%PDF-1.7", "The file is no workbook."),
        (bytes.fromhex("D0CF11E0A1B11AE1") + bytes(500), "locked with a password"),
        (b"PK\x03\x04 and no more", "broken, or locked"),
        (_zip(hello=b"world"), "broken, or locked"),
        (
            _zip(mimetype=b"application/vnd.oasis.opendocument.spreadsheet"),
            "OpenDocument sheet, which is not read",
        ),
        (_zip(**{"xl__workbook.bin": b"x"}), "binary format"),
        (book()[:-200], "broken, or locked"),
    ],
)
def test_what_is_no_workbook_is_told_so(content: bytes, told: str) -> None:
    assert told in _refused(content)


def test_a_package_that_would_swell_is_not_unpacked() -> None:
    swollen = _zip(**{"xl__worksheets__sheet1.xml": bytes(package.MOST_UNPACKED_BYTES + 1)})

    assert len(swollen) < 100_000
    assert "at most 1000 parts" in _refused(swollen)


def test_a_package_of_very_many_parts_is_not_unpacked() -> None:
    many = _zip(**{f"part{i}": b"" for i in range(package.MOST_PARTS + 1)})

    assert "at most 1000 parts" in _refused(many)


@pytest.mark.parametrize("part", ["xl/workbook.xml", TRAYS_XML, "xl/styles.xml"])
def test_entities_are_not_expanded(part: str) -> None:
    """Nothing is fetched, and nothing grows."""
    bomb = (
        b'<!DOCTYPE x [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;"><!ENTITY f SYSTEM "file:///etc/hosts">'
        b"]><x>&b;&f;</x>"
    )

    assert "broken, or locked" in _refused(patched(book(), part, lambda _: bomb))


def test_a_sheet_said_to_be_as_large_as_can_be_is_read_by_what_it_holds() -> None:
    """Neither a stated extent nor a merged range makes cells that nobody filled."""

    def widen(sheet: bytes) -> bytes:
        wide = b'<mergeCells count="1"><mergeCell ref="H9:XFD1048576"/></mergeCells><pageMargins'
        return sheet.replace(b'ref="A1:G4"', b'ref="A1:XFD1048576"').replace(b"<pageMargins", wide)

    assert {} == slips(patched(book(), TRAYS_XML, widen))


def test_a_cell_out_of_reach_is_not_passed_over() -> None:
    assert "cell-out-of-reach" in slips(with_cell("A900000", "x")).values()


def test_macros_are_not_looked_at() -> None:
    content = book()
    written = io.BytesIO(content)
    with zipfile.ZipFile(written, "a") as made:
        made.writestr("xl/vbaProject.bin", b"\x00not a macro at all")

    assert {} == slips(written.getvalue())


def test_the_blank_workbook_is_the_same_each_time_and_has_nothing_filled_in() -> None:
    blank = sheet_of(None, "")

    filled = read(blank)

    assert blank == sheet_of(None, "")
    assert [] == filled.slips
    assert {"passes": []} == filled.document


def test_the_workbook_offers_what_can_be_picked_and_keeps_the_headings_in_sight() -> None:
    made = load_workbook(io.BytesIO(sheet_of(None, "")))
    page = made["Passes"]

    rules = {str(r.sqref).partition("3")[0][0]: r for r in page.data_validations.dataValidation}
    assert "heavy liquid" in rules["B"].formula1
    assert "Name of the head" in rules["C"].prompt
    assert "B4" == page.freeze_panes
    # What is longer than a spreadsheet program takes makes it call the whole file broken.
    for rule in (r for sheet in made for r in sheet.data_validations.dataValidation):
        assert 257 >= len(rule.formula1 or "")
        assert 32 >= len(rule.promptTitle)
        assert 255 >= len(rule.prompt)
        assert 225 >= len(rule.error or "")
    assert ["Test"] == [sheet.title for sheet in made if sheet.sheet_view.tabSelected]


def test_text_that_looks_like_a_formula_stays_text() -> None:
    """A tray called '=1+1' is a name, here and in any program that opens the workbook."""
    sheet = json.loads(json.dumps(MINIMAL_SHEET))
    sheet["passes"][0]["products"][1]["name"] = "=1+1"

    content = sheet_of(Sheet.model_validate(sheet), "")

    assert "=1+1" == _product(content, 1)["name"]
    with zipfile.ZipFile(io.BytesIO(content)) as made:
        assert not any(b"<f>" in made.read(n) for n in made.namelist() if "worksheets" in n)


def test_headings_of_assays_are_known_in_the_ways_people_write_them() -> None:
    for heading in ("Sn, %", "Sn,%", "Sn (%)", "Sn [%]", "Sn %", "Sn%"):
        assert {} == slips(with_cell("G1", heading)), heading
    assert ASSAYS[1][0] == "Sn"
