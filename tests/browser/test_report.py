"""The report in a browser: quiet, whole at any width, on paper, and with the reply's figures."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from service.balances.kept import reply_of
from service.balances.reply import BalanceReply
from service.balances.report import document_of
from service.balances.service import balance
from service.filed import report_of
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.report.page import page
from tests.service.client import EXAMPLES
from tests.service.report.replies import figures, hostile_reply, reply_to

from .conftest import Watched

pytestmark = pytest.mark.browser

SHEET = EXAMPLES / "tests" / "tin-shed-over-three-stages.json"
WIDTHS = (360, 768, 1440)


def many_streams(count: int) -> dict[str, Any]:
    """Give a request of many stages in a row, each with a product; invented data."""
    stages = count // 2
    streams: list[dict[str, str]] = [{"name": "feed", "to": "stage 1"}]
    readings = [{"stream": "feed", "of": "mass", "value": 1000, "sd": 5}]
    for k in range(1, stages + 1):
        streams.append({"name": f"product {k}", "from": f"stage {k}"})
        onward = {"to": f"stage {k + 1}"} if k < stages else {}
        streams.append({"name": f"rest {k}", "from": f"stage {k}", **onward})
        value = 1000 / stages
        readings.append({"stream": streams[-2]["name"], "of": "mass", "value": value, "sd": 1})
        readings.append(
            {"stream": streams[-2]["name"], "of": "Sn", "value": 10 + k % 50, "relative_sd": 0.02}
        )
    return {
        "flowsheet": {
            "mass_unit": "g",
            "nodes": [f"stage {k}" for k in range(1, stages + 1)],
            "streams": streams,
            "components": [{"name": "Sn", "unit": "%"}],
        },
        "readings": readings,
    }


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the pages that are looked at."""
    folder = tmp_path_factory.mktemp("pages")
    # A request has shorter names; a reply that was kept may come from elsewhere.
    text = as_json(balance(json.dumps(many_streams(60)).encode(), Settings()))
    long = re.sub(r'"(product \d+)"', lambda name: f'"{name[1]}{" and so on" * 19}"', text)
    large = reply_of(json.loads(long), BalanceReply)
    documents = {
        "usual": document_of(reply_to("tin-shed")),
        "hostile": document_of(hostile_reply()),
        "large": document_of(large),
        "test": report_of(SHEET.read_bytes(), Settings()).document,
    }
    written = {name: folder / f"{name}.html" for name in documents}
    for name, document in documents.items():
        written[name].write_bytes(page(document))
    return written


@pytest.mark.parametrize("name", ["usual", "hostile", "large", "test"])
def test_the_page_is_quiet_and_asks_for_nothing(
    watched: Watched, pages: dict[str, Path], name: str
) -> None:
    """No word in the console, and no request but that for the page itself."""
    watched.show(pages[name])

    assert [] == watched.complaints
    assert [pages[name].as_uri()] == watched.requests


@pytest.mark.parametrize("name", ["usual", "hostile", "large", "test"])
def test_nothing_runs_out_of_the_window(
    watched: Watched, pages: dict[str, Path], name: str
) -> None:
    """At 360, 768 and 1440 px: what is wider scrolls within its own box."""
    for width in WIDTHS:
        shown = watched.show(pages[name], width)
        assert width >= shown.evaluate("document.documentElement.scrollWidth")
        out = shown.evaluate(
            """() => [...document.querySelectorAll('body *')].filter(e => !e.closest('.wide'))
            .filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.tagName)"""
        )
        assert [] == out


def test_the_figures_on_the_page_are_those_of_the_reply(
    watched: Watched, pages: dict[str, Path]
) -> None:
    """As a reader sees them, in what the browser made of the page."""
    shown = watched.show(pages["usual"])
    cells = shown.evaluate("[...document.querySelectorAll('td')].map(e => e.textContent)")

    assert set() == set(figures(reply_to("tin-shed"))) - {cell.strip("()") for cell in cells}


def test_letters_stand_off_from_the_paper_in_light_and_dark(
    watched: Watched, pages: dict[str, Path]
) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for the marks of drawings."""
    for scheme in ("light", "dark"):
        watched.page.emulate_media(color_scheme=scheme)
        shown = watched.show(pages["usual"])
        colours = {
            name: shown.evaluate(
                f"getComputedStyle(document.documentElement).getPropertyValue('--{name}')"
            )
            for name in ("paper", "wash", "ink", "muted", "read", "reconciled")
        }
        paper, wash = colours.pop("paper"), colours.pop("wash")
        for colour in colours.values():
            assert _contrast(colour, paper) >= 4.5
            assert _contrast(colour, wash) >= 4.5


def _contrast(one: str, other: str) -> float:
    """Give the contrast of two colours (WCAG 2.2, contrast ratio and relative luminance)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour.strip()[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_whoever_cannot_see_finds_the_way(
    watched: Watched, pages: dict[str, Path], scheme: str
) -> None:
    """The rules of axe-core: labels, headings, tables, landmarks, contrast."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    watched.page.emulate_media(color_scheme=scheme)
    shown = watched.show(pages["usual"])

    found = axe.Axe().run(shown)

    assert [] == [
        (fault["id"], fault["nodes"][0]["html"][:200]) for fault in found.response["violations"]
    ]


def test_no_row_is_cut_on_paper_and_every_sheet_has_the_head(
    watched: Watched, pages: dict[str, Path]
) -> None:
    """On A4 each line of the long list is on one sheet, with the heads of the columns above."""
    shown = watched.show(pages["usual"])
    names = shown.evaluate(
        """[...document.querySelectorAll('section[aria-labelledby=readings] tbody tr')]
        .map(e => [e.children[0].textContent, e.children[6].textContent])"""
    )
    content = shown.pdf(format="A4", prefer_css_page_size=True)
    sheets = [_words(sheet.extract_text()) for sheet in PdfReader(io.BytesIO(content)).pages]

    found = [
        [
            k
            for k, sheet in enumerate(sheets)
            if f"{name}%" in sheet or f"{name}g" in sheet or f"{name}ppm" in sheet
        ]
        for name in (_words(name) for name, _ in names)
    ]
    listed = {k for places in found for k in places}

    assert len(names) == len(reply_to("tin-shed").readings)
    assert all(places for places in found)
    assert len(listed) > 1
    assert all("initsownsditserror" in sheets[k] for k in listed)
    for sheet in PdfReader(io.BytesIO(content)).pages:
        assert pytest.approx((595, 842), abs=1) == tuple(map(float, sheet.mediabox[2:]))


def test_no_table_or_drawing_is_wider_than_the_paper(
    watched: Watched, pages: dict[str, Path]
) -> None:
    """Laid out for print, nothing is wider than what stands between the margins of A4."""
    watched.page.emulate_media(media="print")
    for name in ("usual", "large", "test"):
        shown = watched.show(pages[name], round(180 / 25.4 * 96))
        wide = shown.evaluate(
            """() => [...document.querySelectorAll('table, svg')]
            .filter(e => e.getBoundingClientRect().right > innerWidth + 1)
            .map(e => [e.tagName, e.getBoundingClientRect().right])"""
        )
        assert [] == wide


def _words(text: str) -> str:
    return re.sub(r"\s+", "", text)
