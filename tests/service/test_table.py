"""The plain-text table: each matter has its section, and only where it occurs."""

from functools import cache

import pytest

from service.balances.service import balance
from service.balances.table import as_text
from service.kit.plain_table import width_of
from service.kit.settings import Settings

from .client import EXAMPLE_NAMES, EXAMPLES, SIMPLE_NAMES

SECTIONS = {
    "Water": ("cyclone-with-water", "plant-survey", "stocks-over-three-shifts"),
    "Stock, t": ("plant-survey", "stocks-over-three-shifts"),
    "Analytes": ("mineral-sand", "plant-survey"),
    "Passing (um), %": ("grinding-circuit", "plant-survey"),
    "Contents of minerals": ("mineral-sand", "plant-survey"),
    "Count of ": ("mineral-sand", "plant-survey"),
    "Shared errors:": (
        "cyclone-with-water",
        "limits-and-shared-errors",
        "plant-survey",
        "stocks-over-three-shifts",
    ),
    "Standard deviations:": (
        "cyclone-with-water",
        "limits-and-shared-errors",
        "mineral-sand",
        "plant-survey",
        "stocks-over-three-shifts",
    ),
    "The unaccounted difference": ("plant-survey",),
}


@cache
def text_of(name: str) -> str:
    """Give the table of an example."""
    return as_text(balance((EXAMPLES / f"{name}.json").read_bytes(), Settings()))


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_every_table_fits_a_hundred_columns(name: str) -> None:
    """No line is wider, and none ends in spaces."""
    lines = text_of(name).splitlines()

    assert max(width_of(line) for line in lines) <= 100
    assert not [line for line in lines if line != line.rstrip()]


@pytest.mark.parametrize(("section", "names"), SECTIONS.items(), ids=SECTIONS)
def test_a_section_stands_where_its_matter_occurs_and_nowhere_else(
    section: str, names: tuple[str, ...]
) -> None:
    """What a request does not follow leaves no trace in its table."""
    found = {
        name
        for name in EXAMPLE_NAMES
        if any(line.startswith(section) for line in text_of(name).splitlines())
    }

    assert set(names) == found


@pytest.mark.parametrize("name", SIMPLE_NAMES)
def test_the_table_of_a_simple_test_stays_as_short_as_it_was(name: str) -> None:
    """Masses, assays, recoveries, what was checked, and the notice."""
    heads = [block.split(",")[0].split("  ")[0] for block in text_of(name).split("\n\n")]

    known = {"Mass", "Assays", "Recovery", "In brackets: not read", "A balance is not a"}
    assert [
        head
        for head in heads[1:]
        if not any(head.startswith(words) for words in (*known, "Every quantity"))
    ] == []


def test_limits_are_shown_with_what_came_out() -> None:
    """A result below detection stands as it was reported, beside its reconciled value."""
    assert "As of 'nonmag at 0.4 T' < 0.05 %: reconciled" in text_of("limits-and-shared-errors")


def test_where_errors_came_from_is_told_once_for_alike_readings() -> None:
    """Readings of one origin share a line, with the share of sampling where there is one."""
    text = " ".join(text_of("plant-survey").split())

    assert "by the error model 'XRF of majors'" in text
    assert "a fundamental sampling error of" in text
    assert "% of the variance)" in text
    assert "from the volume and the bulk density of the survey" in text


def test_a_composite_is_named_with_all_its_parts() -> None:
    """A reading over several streams or shifts names them all."""
    text = " ".join(text_of("plant-survey").split())

    assert "SiO2 of 'magnetics' + 'nonmagnetics' in night shift" in text
    assert "TiO2 of 'dried' in day shift + night shift" in text
