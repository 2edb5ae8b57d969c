"""What needs care, as a caller asks for it and reads it."""

from __future__ import annotations

from typing import Any

import pytest
from scipy.stats import norm

from .client import faults, minimal, post

BQ_PER_PPM = {"Th": 4.0573e-3, "U": 12.3471e-3}
"""Bq/g for each ppm of the element, recomputed from half-lives 1.405e10 and 4.468e9 years."""


def request(*components: Any, **care: Any) -> dict[str, Any]:
    """Give one pass with trays that were weighed, and components that were not read yet."""
    found = minimal()
    found["flowsheet"]["components"] += components
    return found | {"care": care}


def assay(stream: str, of: str, value: float, sd: float) -> dict[str, Any]:
    """Give a reading."""
    return {"stream": stream, "of": of, "value": value, "sd": sd}


def asked(body: dict[str, Any]) -> dict[str, Any]:
    """Give the care of a reply that must be there."""
    reply = post(body)
    assert 200 == reply.status_code, reply.text
    found: dict[str, Any] = reply.json()["care"]
    return found


def stream(care: dict[str, Any], name: str) -> dict[str, Any]:
    """Give one stream."""
    return next(s for s in care["radioactivity"] if s["stream"] == name)


def topics(care: dict[str, Any]) -> list[str]:
    """Give the topics of the cautions."""
    return [caution["topic"] for caution in care["cautions"]]


def both(**care: Any) -> dict[str, Any]:
    """Give thorium as oxide and uranium as metal, read of both trays."""
    body = request({"name": "ThO2", "unit": "ppm"}, {"name": "U", "unit": "ppm"}, **care)
    body["readings"] += [
        assay("mag 1", "ThO2", 265, 10),
        assay("mag 1", "U", 40, 4),
        assay("nonmag", "ThO2", 20, 2),
        assay("nonmag", "U", 3, 1),
    ]
    return body


def test_activities_come_from_what_was_assayed() -> None:
    """ThO2 by its thorium, uranium as natural uranium, errors with them."""
    mag = stream(asked(both()), "mag 1")
    thorium, uranium = (n["activity"] for n in mag["nuclides"])

    assert pytest.approx(265 * 0.878812 * BQ_PER_PPM["Th"], rel=1e-4) == thorium["value"]
    assert pytest.approx(thorium["value"] * 10 / 265, rel=1e-4) == thorium["sd"]
    assert pytest.approx(40 * BQ_PER_PPM["U"], rel=1e-4) == uranium["value"]
    assert pytest.approx(thorium["value"] + uranium["value"]) == mag["together"]["value"]
    assert ["ThO2"] == mag["nuclides"][0]["counted_in"]


@pytest.mark.parametrize("rule", ["each nuclide", "sum of fractions"])
def test_the_rule_can_be_chosen(rule: str) -> None:
    """Each nuclide by itself, or the sum of fractions: 0.94 and 0.49 Bq/g differ in that."""
    mag = stream(asked(both(rule=rule)), "mag 1")
    figure = mag["together"] if rule == "sum of fractions" else mag["nuclides"][0]["activity"]
    chance = float(norm.sf((1 - figure["value"]) / figure["sd"]))

    assert rule == mag["exemption"]["rule"]
    assert pytest.approx(chance, rel=1e-6) == mag["exemption"]["chance"]
    assert ("virtually certain" if rule == "sum of fractions" else "very unlikely") == (
        mag["exemption"]["in_words"]
    )
    assert 10 == mag["transport"]["level"]
    assert mag["transport"]["chance"] < 1e-9


def test_below_detection_is_an_upper_limit_in_words() -> None:
    """A limit makes no number; the sentence says below what it lies."""
    body = request({"name": "ThO2", "unit": "ppm"})
    body["readings"] += [{"stream": "mag 1", "of": "ThO2", "below": 50}]
    care = asked(body)
    mag, rest = stream(care, "mag 1"), stream(care, "nonmag")

    assert mag["nuclides"][0]["activity"]["value"] is None
    assert pytest.approx(50 * 0.878812 * BQ_PER_PPM["Th"], rel=1e-4) == mag["nuclides"][0]["below"]
    assert mag["exemption"]["chance"] is None
    assert "'mag 1': Th-232 not detected, below 0.18 Bq/g, U-238 not followed." == mag["statement"]
    assert "Th-232 unknown, since nothing that was read determines it" in rest["statement"]
    assert "not all that was followed is known" in care["cautions"][0]["text"]
    assert "stay below" not in care["cautions"][0]["text"]


def test_a_limit_holds_what_the_balance_knows_vaguely() -> None:
    """A tray read below a limit is told by it, though head and rest give a vague number."""
    body = request({"name": "ThO2", "unit": "ppm"}, {"name": "U", "unit": "ppm"})
    body["readings"] += [
        assay("feed", "ThO2", 1000, 40),
        assay("nonmag", "ThO2", 1570, 60),
        {"stream": "mag 1", "of": "ThO2", "below": 60},
        assay("mag 1", "U", 20, 5),
    ]
    mag = stream(asked(body), "mag 1")

    assert mag["nuclides"][0]["activity"]["sd"] > 0.3
    assert mag["statement"].startswith("'mag 1': Th-232 not detected, below 0.21 Bq/g, U-238 0.247")
    assert mag["exemption"]["chance"] < 1e-6
    assert mag["transport"]["chance"] < 1e-6


def test_what_is_not_followed_is_asked_for() -> None:
    """Without uranium nothing is said of it but that it should be assayed."""
    body = request({"name": "ThO2", "unit": "ppm"})
    body["readings"] += [assay("mag 1", "ThO2", 5000, 100), assay("nonmag", "ThO2", 20, 2)]
    care = asked(body)

    assert "This is by Th-232 alone." in stream(care, "mag 1")["statement"]
    assert "Uranium was not followed" in care["cautions"][0]["text"]
    assert ["feed", "mag 1"] == care["cautions"][0]["streams"]


@pytest.mark.parametrize(
    ("component", "named"),
    [
        ({"name": "monazite"}, "monazite"),
        ({"name": "mineral x", "formula": "YPO4"}, "xenotime"),
        ("ZrO2", "zircon"),
        ("zircon sand", "zircon"),
    ],
)
def test_minerals_that_carry_them_are_named(component: Any, named: str) -> None:
    """Monazite, xenotime and zircon bring the caution even where neither was followed."""
    care = asked(request(component))
    caution = care["cautions"][0]

    assert [] == care["radioactivity"]
    assert "radioactivity" == caution["topic"]
    assert named in caution["text"]
    assert "Thorium and uranium were not followed" in caution["text"]
    assert "National law comes first" in caution["text"]


def test_without_reason_there_is_no_caution_of_radioactivity() -> None:
    """Tin alone points to nothing; that it is no certificate is always said."""
    assert ["certificates"] == topics(asked(request()))


def test_silica_is_told_of_where_it_is() -> None:
    """Quartz by name or SiO2 as assayed; products surely without it are not named."""
    body = request("quartz")
    body["readings"] += [assay("mag 1", "quartz", 0.01, 0.001), assay("nonmag", "quartz", 12, 0.5)]
    caution = asked(body)["cautions"][0]

    assert "silica dust" == caution["topic"]
    assert ["feed", "nonmag"] == caution["streams"]
    assert "hold or may hold quartz" in caution["text"]
    assert "some of which may be quartz" in asked(request("SiO2"))["cautions"][0]["text"]


def test_each_kind_of_work_has_its_caution_once() -> None:
    """Magnets, high voltage and heavy liquids, as the caller worked with them."""
    care = asked(request(work=["magnetic", "heavy liquid", "electrostatic", "magnetic"]))

    assert ["strong magnets", "heavy liquids", "high voltage", "certificates"] == topics(care)
    assert "pacemakers" in care["cautions"][0]["text"]


def test_streams_can_be_chosen() -> None:
    """Left out, feeds and products are looked at; otherwise those named."""
    care = asked(both(streams=["nonmag"]))

    assert ["nonmag"] == [s["stream"] for s in care["radioactivity"]]
    assert {"/care/streams/0": "unknown-stream"} == faults(post(both(streams=["tail"])))


def test_sources_are_named() -> None:
    """Levels and constants say where they come from."""
    sources = " ".join(asked(both())["sources"])

    for source in ("GSR Part 3", "SSR-6", "107(f)", "1.405e10", "natural uranium"):
        assert source in sources


def test_periods_are_refused() -> None:
    """Care is told of a single balance."""
    assert {"/care": "performance-of-periods"} == faults(post(request() | {"periods": ["day"]}))
