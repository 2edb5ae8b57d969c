"""The report of a laboratory test: passes, what was separated, and care."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from typer.testing import CliRunner

from service.cli import application
from service.filed import report_of
from service.kit.figures import plus_minus
from service.kit.media import CSV, HTML
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.report.document import Caution, Section, text_of
from service.tests.reply import TestReply
from service.tests.report import document_of
from service.tests.service import reconcile_test
from tests.service.client import EXAMPLES, JSON, ask

SHEET = EXAMPLES / "tests" / "one-magnetic-pass.json"


@cache
def reply() -> TestReply:
    sheet = json.loads(SHEET.read_text(encoding="utf-8"))
    sheet["sample"] = {"client": "An invented customer", "received": "2026-10-02"}
    return reconcile_test(json.dumps(sheet).encode(), Settings())


def section(key: str) -> Section:
    return next(found for found in document_of(reply()).sections if found.key == key)


def cells(of: Section) -> set[str]:
    return {text_of(c).strip("()") for t in of.tables for row in t.rows for c in row.cells}


def test_the_head_says_whose_sample_it_is() -> None:
    """In the words of the sheet, what it does not say left out."""
    assert (("Client", "An invented customer"), ("Received", "2026-10-02")) == document_of(
        reply()
    ).facts


def test_every_pass_stands_with_its_settings_and_trays() -> None:
    """In the order of the sheet, behind the drawing."""
    passes = section("passes")
    said = " ".join(block.text for block in passes.blocks if hasattr(block, "text"))
    keys = [found.key for found in document_of(reply()).sections]

    assert "passes" == keys[keys.index("flow") + 1]
    for run in reply().passes:
        assert f"({run.kind})" in said
        for tray in run.products:
            assert plus_minus(tray.mass.value, tray.mass.sd) in cells(passes)
            assert plus_minus(tray.of_feed.value, tray.of_feed.sd) in cells(passes)
    assert "gap 4 mm" in said


def test_every_figure_of_the_separation_is_in_the_report() -> None:
    """Grades, recoveries and efficiencies, one by one and added up; heads by both roads."""
    found = cells(section("separation"))
    for series in reply().performance:
        for separation in series.separations:
            for place in (*separation.products, *separation.cumulative):
                for figure in (place.grade, place.recovery):
                    assert plus_minus(figure.value, figure.sd) in found
            efficiencies = [p.separation_efficiency for p in separation.products]
            for figure in filter(None, efficiencies):
                assert plus_minus(figure.value, figure.sd) in found
        for head in series.heads:
            assert plus_minus(head.assayed, head.assayed_sd) in found
            assert plus_minus(head.calculated, head.calculated_sd) in found


def test_each_mineral_has_its_curve_between_the_limits() -> None:
    """The points are those of the reply, in its order; limits are drawn where they are known."""
    charts = [block for block in section("grades").blocks if hasattr(block, "drawing")]
    curves = [s.curve for series in reply().performance for s in series.separations]

    assert len(curves) == len(charts)
    for curve, chart in zip(curves, charts, strict=True):
        assert [p.recovery.value for p in curve.points] == [p.x for p in chart.drawing.points]
        assert [p.grade.value for p in curve.points] == [p.y for p in chart.drawing.points]
        limits = [found.name for found in chart.drawing.curves[1:]]
        assert ["splitting"] == limits[-1:]
        assert (curve.perfect is not None) == ("perfect separation" in limits)


def test_the_answer_is_of_what_was_tested() -> None:
    """Not of the half of the head that was kept: shares are of the feed of the test."""
    sheet = EXAMPLES / "tests" / "chromite-from-foundry-sand.json"
    found = report_of(sheet.read_bytes(), Settings())
    series = found.reply.performance[0]
    first = series.separations[0]
    best = max(first.products, key=lambda place: place.recovery.value)

    said = found.document.answer

    assert "kept" not in said[0]
    assert f"'{best.product}' took {plus_minus(best.recovery.value, best.recovery.sd)} %" in said[1]
    assert plus_minus(first.head.value, first.head.sd) in said[1]


def test_cautions_stand_by_themselves() -> None:
    """Each of the reply, as a caution and not in running text."""
    found = " ".join(b.text for b in section("care").blocks if isinstance(b, Caution))

    assert reply().care.cautions
    assert all(caution.text in found for caution in reply().care.cautions)


def test_a_kept_reply_brings_the_same_report() -> None:
    """Read from JSON again, the reply is what it was, and so is what is made of it."""
    kept = report_of(as_json(reply()).encode(), Settings())

    assert reply() == kept.reply
    assert document_of(reply()) == kept.document
    assert json.loads(as_json(reply())) == json.loads(kept.written("application/json"))


def test_a_sheet_comes_as_a_report_by_both_doors(tmp_path: Path) -> None:
    """By 'Accept' and by the command line, the same bytes."""
    path = tmp_path / "report.csv"
    done = CliRunner().invoke(application, ["report", str(SHEET), "-o", str(path)])
    by_http = ask("POST", "/v1/tests", content=SHEET.read_bytes(), headers=JSON | {"Accept": CSV})

    assert 0 == done.exit_code
    assert path.read_bytes() == by_http.content
    assert "Accept" == by_http.headers["vary"]
    page = ask("POST", "/v1/tests", content=b"{}", headers=JSON | {"Accept": HTML})
    assert (422, "application/problem+json") == (page.status_code, page.headers["content-type"])
