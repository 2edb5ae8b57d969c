"""The evidence on the wire: sentences to act on, the same as data, and decisions of the caller."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.balances.service import balance
from service.balances.table import as_text
from service.kit.settings import Settings

from .client import ROOT, example, faults, minimal, post


def _evidence(request: dict[str, Any]) -> dict[str, Any]:
    reply = post(request)
    assert reply.status_code == 200, reply.text
    found: dict[str, Any] = reply.json()["evidence"]
    return found


def _in_line(feed: float) -> dict[str, Any]:
    """Three nodes in line, of which every stream carries the same; data invented."""
    return {
        "flowsheet": {
            "mass_unit": "t/h",
            "nodes": ["crusher", "screen", "mill"],
            "streams": [
                {"name": "feed", "to": "crusher"},
                {"name": "crushed", "from": "crusher", "to": "screen"},
                {"name": "screened", "from": "screen", "to": "mill"},
                {"name": "ground", "from": "mill"},
            ],
        },
        "readings": [
            {"stream": name, "of": "mass", "value": value, "sd": 1.0}
            for name, value in (
                ("feed", feed),
                ("crushed", 100.2),
                ("screened", 99.9),
                ("ground", 100.1),
            )
        ],
    }


def test_evidence_is_there_unless_the_request_does_without() -> None:
    """On by default, null if skipped."""
    assert _evidence(minimal())["readings"]["count"] > 0
    reply = post(minimal() | {"evidence": {"skip": True}})
    assert reply.json()["evidence"] is None


def test_sound_readings_bring_one_sentence() -> None:
    """Nothing found is said in a sentence, with how much was tried."""
    (said,) = _evidence(_in_line(100.4))["statements"]

    assert said == "No error was found: of 13 tried none is significant at the level of 5 %."


def test_an_indistinguishable_group_is_said_to_be_one_of_several() -> None:
    """Names, sizes, probabilities and what to read, in one statement; the same as data."""
    (finding,) = _evidence(_in_line(112.0))["findings"]

    kinds = {(e["suspect"]["kind"], e["suspect"]["name"]) for e in finding["explanations"]}
    assert kinds == {
        ("reading", "mass of 'feed'"),
        ("leak", "a leak or an addition at 'crusher'"),
    }
    assert finding["statement"].startswith("One of these 2 is so, and the readings cannot tell")
    assert (
        "The mass of 'feed' is 10.3 sd above what the other readings allow"
        in (finding["statement"])
    )
    assert "about 12 % too high (112 t/h read, 100.1 ± 1.2 expected)" in finding["statement"]
    assert "At 'crusher' 11.9 ± 1.2 t/h of what enters is lost" in finding["statement"]
    assert finding["statement"].endswith("To tell them apart, weigh 'feed' again.")
    assert sum(e["probability"] for e in finding["explanations"]) == pytest.approx(100, abs=1)


def test_sizes_come_in_the_unit_of_the_reading() -> None:
    """An assay in ppm that is off is off by ppm; a mass in kg by kg."""
    request = minimal()
    request["readings"][4] |= {"value": 300_000, "unit": "ppm", "relative_sd": 0.01}

    tests = _evidence(request)["readings"]["tests"]

    (test,) = [t for t in tests if t["suspect"]["readings"] == ["/readings/4"]]
    assert test["unit"] == "ppm"
    assert 1e5 < abs(test["size"]) < 1e6
    assert abs(test["size"]) / test["sd"] == pytest.approx(abs(test["statistic"]))


def test_a_reading_is_left_out_only_by_decision_of_the_request() -> None:
    """The suspect counts until the caller says otherwise; then it is said back with the reason."""
    request = _in_line(112.0)
    kept = post(request).json()
    request["readings"][0]["left_out"] = "belt stopped during the weighing"

    left = post(request).json()

    assert kept["readings"][0]["weight"] == 1
    assert kept["readings"][0]["left_out"] is None
    assert left["readings"][0]["weight"] == 0
    assert left["readings"][0]["left_out"] == "belt stopped during the weighing"
    assert left["streams"][0]["mass"]["value"] == pytest.approx((100.2 + 99.9 + 100.1) / 3)
    assert any(
        said == "Left out by decision of the request: mass of 'feed' (112 t/h): belt stopped "
        "during the weighing."
        for said in left["statements"]
    )


def test_what_is_left_out_may_be_read_anew() -> None:
    """A repeat stands beside the reading that it replaces; twice in force is still a fault."""
    request = _in_line(112.0)
    request["readings"].append({"stream": "feed", "of": "mass", "value": 100.6, "sd": 1.0})
    assert faults(post(request)) == {"/readings/4": "repeated-reading"}
    request["readings"][0]["left_out"] = "belt stopped during the weighing"

    reply = post(request)

    assert reply.status_code == 200
    assert reply.json()["evidence"]["findings"] == []


def test_decisions_say_what_they_do_to_the_figures_that_matter() -> None:
    """Leaving the suspect out is a sentence with recoveries before and after, never an act."""
    request = minimal()
    request["readings"][4] |= {"value": 14.0}
    found = _evidence(request)

    decision = next(d for d in found["decisions"] if d["balanced_anew"])
    request["readings"][int(decision["suspects"][0]["readings"][0].split("/")[-1])]["left_out"] = (
        "x"
    )
    after = post(request).json()
    share = next(
        p["value"]
        for r in after["recoveries"]
        if r["component"] == "Sn"
        for p in r["products"]
        if p["product"] == "mag 1"
    )
    (figure,) = [f for f in decision["figures"] if f["figure"] == "recovery of Sn to 'mag 1'"]
    assert figure["after"] == pytest.approx(share, rel=1e-6)
    assert " -> " in decision["statement"]


def test_the_example_with_a_mislabelled_tray_is_seen_through() -> None:
    """Trays exchanged and feed spilt, 3.5 % of 5000 g by construction: both found, and no more."""
    found = _evidence(example("mislabelled-tray"))

    exchange, spill = found["findings"]
    assert exchange["statement"].startswith("The trays of 'mag ")
    assert "(mass and all assays) seem to stand in each other's place" in exchange["statement"]
    leak, *others = spill["explanations"]
    assert [one["suspect"]["name"] for one in others] in ([], ["mass of 'feed'"])
    assert (leak["suspect"]["kind"], leak["suspect"]["node"]) == ("leak", "table")
    assert leak["size"] == pytest.approx(0.035 * 5000, abs=3 * leak["sd"])
    told = " ".join((ROOT / "README.md").read_text(encoding="utf-8").replace("\n> ", " ").split())
    assert exchange["statement"] in told
    assert spill["statement"] in told
    together = found["decisions"][-1]
    assert len(together["suspects"]) == 2
    assert together["p_value"] > 0.05


@pytest.mark.parametrize(
    ("slipped", "factor", "said"),
    [
        (1, 0.1, "With the decimal point one place further right it would fit."),
        (2, 0.1, "With the decimal point one place further right it would fit."),
        (4, 10.0, "times as much"),
        (6, 0.0, "0 % read"),
        (20, 0.1, "With the decimal point one place further right it would fit."),
    ],
)
def test_a_slip_that_bends_the_whole_balance_is_in_the_first_finding(
    slipped: int, factor: float, said: str
) -> None:
    """Ten times too little, too much, and a zero for nothing read, in a circuit with recycles."""
    request = example("rougher-cleaner-scavenger")
    reading = request["readings"][slipped]
    reading["value"] *= factor
    if factor == 0:
        reading["sd"] = 0.013
        reading.pop("relative_sd", None)

    first = _evidence(request)["findings"][0]

    alone = [e["suspect"]["readings"] for e in first["explanations"]]
    assert [f"/readings/{slipped}"] in alone
    assert said in first["statement"]


def test_a_slip_that_leaves_no_balance_is_named_in_the_refusal() -> None:
    request = example("rougher-cleaner-scavenger")
    request["readings"][8]["value"] *= 0.1

    problem = post(request).json()

    assert "Without Cu of 'rougher concentrate' there is a balance" in problem["detail"]


def test_the_table_tells_the_findings() -> None:
    """The command line prints the same sentences."""
    reply = balance(json.dumps(_in_line(112.0)).encode(), Settings())

    text = " ".join(as_text(reply).split())

    assert "One of these 2 is so, and the readings cannot tell which" in text


def test_long_lists_are_cut_at_the_number_asked_for() -> None:
    """The largest statistics come first, and the count says how many there were."""
    found = _evidence(example("tin-shed") | {"evidence": {"listed": 3}})

    sizes = [abs(t["statistic"]) for t in found["readings"]["tests"]]
    assert len(sizes) == 3
    assert sizes == sorted(sizes, reverse=True)
    assert found["readings"]["count"] > 3


@pytest.mark.parametrize(
    ("member", "value"),
    [("level", 0), ("level", 0.9), ("control", "none"), ("angle", 90), ("listed", -1), ("x", 1)],
)
def test_a_bad_wish_is_refused_by_name(member: str, value: object) -> None:
    """Every fault of the member has its place."""
    reply = post(minimal() | {"evidence": {member: value}})

    assert reply.status_code == 422
    assert list(faults(reply)) == [f"/evidence/{member}"]


def test_a_prior_of_nothing_is_refused() -> None:
    """Some kind of error has to be possible beforehand."""
    prior = {"reading": 0, "leak": 0, "exchange": 0}

    reply = post(minimal() | {"evidence": {"prior": prior}})

    assert faults(reply) == {"/evidence/prior": "prior-of-nothing"}


def test_all_readings_may_be_left_out_only_with_nothing_known() -> None:
    """With nothing that counts everything is unobservable, and no number is invented."""
    request = _in_line(100.0)
    for reading in request["readings"]:
        reading["left_out"] = "all weighers out of order"

    reply = post(request)

    assert reply.status_code in (200, 422)
    if reply.status_code == 200:
        assert all(s["mass"]["value"] is None for s in reply.json()["streams"])
