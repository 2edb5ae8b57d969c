"""What a report says, whatever it is set in."""

import pytest

from service.balances.report import document_of
from service.kit.problems import RefusalError
from service.kit.replies import sound
from service.report.document import Column, Row, Table, Value, parts, text_of
from tests.service.client import EXAMPLE_NAMES

from .replies import figures, reply_to


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_every_figure_of_the_balance_is_in_the_report(name: str) -> None:
    """Masses, yields, assays and recoveries, rounded to what their sd says is known."""
    reply = reply_to(name)
    tables = [table for section in document_of(reply).sections for table in section.tables]
    cells = {text_of(cell).strip("()") for t in tables for row in t.rows for cell in row.cells}

    assert set() == set(figures(reply)) - cells


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_the_answer_comes_first_in_three_sentences_at_most(name: str) -> None:
    """What came out, where the first component went, whether to trust it."""
    document = document_of(reply_to(name))

    assert 2 <= len(document.answer) <= 3
    assert "The readings" in document.answer[-1] or "Nothing checks" in document.answer[-1]
    assert all(said.endswith(".") for said in document.answer)


def test_what_was_found_stands_in_the_answer() -> None:
    """Two trays exchanged: whoever reads three sentences knows it."""
    answer = document_of(reply_to("mislabelled-tray")).answer

    assert "do not agree" in answer[-1]
    assert "'mag 1'" in answer[-1]


def test_a_wide_table_comes_in_parts_that_lose_nothing() -> None:
    """Names stand in each part; columns come in their order."""
    columns = tuple(Column(f"c{k}") for k in range(19))
    rows = tuple(Row(name, tuple(Value(float(k)) for k in range(19))) for name in "ab")
    found = list(parts(Table("wide", "row", columns, rows)))

    assert columns == tuple(column for part in found for column in part.columns)
    for k, row in enumerate(rows):
        assert row.cells == tuple(cell for part in found for cell in part.rows[k].cells)


def test_a_number_that_is_none_is_never_reported() -> None:
    """Where the calculation ran out of the range of numbers there is a refusal, not a page."""
    whole = reply_to("flow-network")
    first = whole.streams[0]
    mass = first.mass.model_copy(update={"value": float("nan")})
    streams = [first.model_copy(update={"mass": mass}), *whole.streams[1:]]

    with pytest.raises(RefusalError, match="range of numbers"):
        sound(whole.model_copy(update={"streams": streams}))
    assert sound(whole) is whole
