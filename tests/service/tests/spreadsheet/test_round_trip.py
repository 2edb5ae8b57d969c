"""Whatever a test sheet says can be filled in, and comes back as it was."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.kit.media import CSV, XLSX
from service.tests.schemas import TestSheet as Sheet
from service.tests.spreadsheet.fill import normal_form
from service.tests.spreadsheet.service import filled_of, sheet_of

EXAMPLES = Path(__file__).parents[4] / "openapi" / "examples" / "tests"

_name = st.text(
    st.characters(exclude_categories=["C", "Z"], include_characters=" ;,={'"),
    min_size=1,
    max_size=12,
).filter(lambda text: text == text.strip())
_size = st.floats(0, 1e9)
_positive = st.floats(1e-6, 1e9)
_error = st.fixed_dictionaries({"sd": _size}, optional={"relative_sd": st.floats(0, 1)})
_result = st.one_of(
    _size,
    st.lists(_size, min_size=2, max_size=3),
    st.fixed_dictionaries({"value": _size, "sd": _size}),
    st.fixed_dictionaries({"below": _size}, optional={"unit": st.sampled_from(["ppm", "g/t"])}),
    st.sampled_from(["trace", "not detected"]),
    st.fixed_dictionaries({"value": _size, "error_model": _name, "left_out": _name}),
)
_setting = st.fixed_dictionaries(
    {},
    optional={
        "field": st.fixed_dictionaries({"value": _positive, "unit": st.sampled_from(["T", "G"])}),
        "gap": st.fixed_dictionaries({"value": _positive, "unit": st.just("mm")}),
        "note": _name,
    },
)
_weights = st.one_of(
    st.just({}),
    st.fixed_dictionaries({"net": _result.filter(lambda r: not isinstance(r, str))}),
    st.fixed_dictionaries(
        {"gross": _size, "tare": st.one_of(_size, _name, st.just({"value": 1.5, "sd": 0.1}))}
    ),
    st.fixed_dictionaries({"loss": st.fixed_dictionaries({"expected": _size, "sd": _positive})}),
)


@st.composite
def _sheets(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a sheet of the schema; whether it makes sense is no matter here."""
    names = draw(st.lists(_name, min_size=1, max_size=3, unique=True))
    units = st.sampled_from(["%", "ppm"])

    def lot(name: str) -> dict[str, Any]:
        assayed = draw(st.lists(st.sampled_from(names), unique=True, max_size=3))
        entry = {"name": name, **draw(_weights), "assays": {n: draw(_result) for n in assayed}}
        if draw(st.booleans()):
            entry |= {"note": draw(_name), "kept": {"net": draw(_size)}}
        return entry

    lots = draw(st.lists(_name, min_size=3, max_size=7, unique_by=str.casefold))
    heads, trays = lots[:1], lots[1:]
    passes = []
    for i in range(draw(st.integers(1, 2))):
        fed = draw(
            st.one_of(
                st.sampled_from(lots),
                st.lists(st.sampled_from(lots), min_size=2, max_size=2),
                st.builds(lambda of, net: {"of": of, "net": net}, st.sampled_from(lots), _size),
                st.builds(lambda of: [{"of": of, "rest": True}, "x"], st.sampled_from(lots)),
                st.builds(lambda of: {"of": of, "gross": 2, "tare": 1}, st.sampled_from(lots)),
            )
        )
        entry = {"kind": "magnetic", "fed": fed, "settings": draw(_setting)}
        if draw(st.booleans()):
            entry |= {"name": f"run {i}", "feed": {"net": draw(_size)}}
        entry["products"] = [lot(name) for name in trays[i::2]]
        passes.append(entry)
    return {
        "title": draw(_name),
        "sample": {"client": draw(_name)},
        "mass_unit": draw(st.sampled_from(["g", "kg"])),
        "components": [{"name": n, "unit": draw(units)} for n in names[:2]],
        "analytes": [{"name": n, "formula": "TiO2"} for n in names[2:]],
        "errors": {"weighing": draw(_error), "assays": {names[0]: draw(_error)}},
        "tares": [{"name": draw(_name), "weighed": draw(_size), "spread": draw(_size)}],
        "causes": [{"name": draw(_name), "relative_sd": 0.01}],
        "evidence": {"level": 0.01},
        "head": {k: v for k, v in lot(heads[0]).items() if k != "loss"},
        "passes": passes,
    }


@settings(max_examples=25, deadline=None)
@given(_sheets(), st.sampled_from([XLSX, CSV]))
def test_what_is_written_is_read_back_as_it_was(document: dict[str, Any], kind: str) -> None:
    """By workbook and by table, whatever names, numbers and results there are."""
    sheet = Sheet.model_validate(document)

    filled = filled_of(sheet_of(sheet, kind), kind)

    assert [] == filled.slips
    assert normal_form(sheet) == normal_form(Sheet.model_validate(filled.document))


@pytest.mark.parametrize("kind", [XLSX, CSV])
def test_every_member_of_a_sheet_has_its_place(kind: str) -> None:
    """Also those that have no column of their own, and whatever is added to the contract."""
    examples = {
        name: field.examples[0]
        for name, field in Sheet.model_fields.items()
        if name != "head" and field.examples
    }
    sheet = Sheet.model_validate(examples)

    filled = filled_of(sheet_of(sheet, kind), kind)

    assert set(Sheet.model_fields) - {"head"} == set(examples)
    assert [] == filled.slips
    assert normal_form(sheet) == normal_form(Sheet.model_validate(filled.document))


@pytest.mark.parametrize("kind", [XLSX, CSV])
@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.json")), ids=lambda path: path.stem)
def test_every_example_can_be_filled_in(path: Path, kind: str) -> None:
    sheet = Sheet.model_validate(json.loads(path.read_text(encoding="utf-8")))

    filled = filled_of(sheet_of(sheet, kind), kind)

    assert [] == filled.slips
    assert normal_form(sheet) == normal_form(Sheet.model_validate(filled.document))
