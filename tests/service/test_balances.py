"""A good request comes back as a balance in the trade's units, by name."""

import json
import math
import time
from itertools import count
from typing import Any

import pytest

from service.app import create_app
from service.kit.settings import Settings

from .client import (
    EXAMPLE_NAMES,
    FAULTY_NAMES,
    GENERAL_NAMES,
    SIMPLE_NAMES,
    example,
    faults,
    minimal,
    post,
    stream,
)


def _masses_only(*readings: tuple[str, float, float]) -> dict[str, Any]:
    request = minimal()
    del request["flowsheet"]["components"]
    request["readings"] = [
        {"stream": name, "of": "mass", "value": value, "sd": sd} for name, value, sd in readings
    ]
    return request


def _assays_only(feed: float, mag: float, nonmag: float) -> dict[str, Any]:
    request = minimal()
    del request["flowsheet"]["mass_unit"]
    request["readings"] = [
        {"stream": name, "of": "Sn", "value": value, "sd": 0.1}
        for name, value in (("feed", feed), ("mag 1", mag), ("nonmag", nonmag))
    ]
    return request


def test_an_imbalance_is_shared_in_proportion_to_the_variances() -> None:
    """
    One node, three masses: each takes its variance's share of the imbalance.

    The closed form of least squares with one linear condition, e.g. Mikhail (1976),
    Observations and Least Squares, conditions only; quoted from memory.
    """
    reply = post(_masses_only(("feed", 100, 2), ("mag 1", 30, 1), ("nonmag", 61, 2)))

    imbalance, variances = 100 - 30 - 61, 2**2 + 1**2 + 2**2
    feed, mag = stream(reply, "feed")["mass"], stream(reply, "mag 1")["mass"]
    assert 100 - imbalance * 4 / variances == pytest.approx(feed["value"])
    assert -imbalance * 4 / variances == pytest.approx(feed["adjustment"])
    assert 30 + imbalance * 1 / variances == pytest.approx(mag["value"])
    assert math.sqrt(4 - 16 / variances) == pytest.approx(feed["sd"])
    assert imbalance**2 / variances == pytest.approx(reply.json()["test"]["statistic"])
    assert 1 == reply.json()["test"]["degrees_of_freedom"]


def test_assays_alone_give_yields_and_recoveries() -> None:
    """
    The two-product formula: yield (f - t)/(c - t), recovery c(f - t)/(f(c - t)).

    Wills and Finch (2016), Mineral Processing Technology, chapter 3; quoted from memory.
    """
    f, c, t = 10.0, 40.0, 2.0

    reply = post(_assays_only(f, c, t))

    mag = stream(reply, "mag 1")
    recovery = reply.json()["recoveries"][0]["products"][0]
    assert 100 * (f - t) / (c - t) == pytest.approx(mag["yield"]["value"])
    assert 100 * c * (f - t) / (f * (c - t)) == pytest.approx(recovery["value"])
    assert ("Sn", "mag 1") == (reply.json()["recoveries"][0]["component"], recovery["product"])
    assert mag["mass"]["unit"] is None


@pytest.mark.parametrize(
    ("unit", "factor"), [("ppm", 1e4), ("g/t", 1e4), ("ppb", 1e7), ("fraction", 0.01)]
)
def test_the_unit_of_an_assay_changes_nothing_but_the_unit(unit: str, factor: float) -> None:
    """The same assays in another unit give the same balance in that unit."""
    in_percent = stream(post(minimal()), "mag 1")
    request = minimal()
    request["flowsheet"]["components"] = [{"name": "Sn", "unit": unit}]
    for reading in request["readings"]:
        if reading["of"] == "Sn":
            reading["value"] *= factor

    other = stream(post(request), "mag 1")

    assert unit == other["assays"][0]["unit"]
    for member in ("reading", "reading_sd", "value", "sd", "adjustment"):
        expected = in_percent["assays"][0][member] * factor
        assert expected == pytest.approx(other["assays"][0][member], rel=1e-8), member
    assert in_percent["mass"]["value"] == pytest.approx(other["mass"]["value"], rel=1e-8)


def test_a_reading_may_have_a_unit_of_its_own() -> None:
    """A reading in kg or ppm comes back in the units of the flowsheet."""
    expected = post(minimal()).json()["streams"]
    request = minimal()
    request["readings"][0] |= {"value": 2.5, "sd": 0.005, "unit": "kg"}
    request["readings"][3] |= {"value": 312000, "unit": "ppm"}

    streams = post(request).json()["streams"]

    assert 2500 == streams[0]["mass"]["reading"]
    assert "g" == streams[0]["mass"]["unit"]
    assert 31.2 == pytest.approx(streams[0]["assays"][0]["reading"], rel=1e-12)
    for one, other in zip(expected, streams, strict=True):
        assert one["mass"]["value"] == pytest.approx(other["mass"]["value"], rel=1e-9)


def test_pounds_are_international_pounds() -> None:
    """One pound is 453.59237 g exactly (international yard and pound agreement, 1959)."""
    request = _masses_only(("feed", 1, 0.01), ("mag 1", 300, 1), ("nonmag", 150, 1))
    request["readings"][0]["unit"] = "lb"

    assert 453.59237 == pytest.approx(stream(post(request), "feed")["mass"]["reading"], rel=1e-14)


def test_absolute_and_relative_errors_add_in_squares() -> None:
    """Both together count as sqrt(sd² + (relative_sd · value)²): JCGM 100:2008, 5.1.2."""
    request = minimal()
    request["readings"][3] |= {"value": 30, "sd": 0.8, "relative_sd": 0.02}

    assert math.hypot(0.8, 0.6) == pytest.approx(
        stream(post(request), "feed")["assays"][0]["reading_sd"], rel=1e-14
    )


def test_readings_come_back_as_written() -> None:
    """A reading in the unit of the reply is not changed by converting there and back."""
    assay = stream(post(minimal()), "mag 1")["assays"][0]

    assert 3.4 == assay["reading"]


def test_null_and_absent_readings_are_the_same() -> None:
    """A value of null means not measured: the reply is that without the reading."""
    absent, null = minimal(), minimal()
    del absent["readings"][4]
    null["readings"][4]["value"] = None
    null["readings"].append({"stream": "feed", "of": "mass", "value": None, "sd": 1})

    one, other = post(absent).json(), post(null).json()

    del one["solver"], other["solver"]
    assert ["/readings/4", "/readings/5"] == [r["readings"].pop()["pointer"] for r in (one, other)]
    # The evidence points at readings, too; their places differ by the null one.
    pointed = json.dumps(one.pop("evidence")).replace("/readings/4", "/readings/5")
    assert pointed == json.dumps(other.pop("evidence"))
    assert one == other
    assert one["streams"][1]["assays"][0]["reading"] is None
    assert "observable" == one["streams"][1]["assays"][0]["class"]


def test_names_may_be_objects_or_plain_words() -> None:
    """A node or component as an object is the same as its plain name."""
    objects = minimal()
    objects["flowsheet"]["nodes"] = [{"name": "stage 1"}]
    objects["flowsheet"]["components"] = [{"name": "Sn", "unit": "%"}]

    assert post(minimal()).json()["streams"] == post(objects).json()["streams"]


def test_what_the_readings_do_not_determine_is_null() -> None:
    """An unobservable quantity has a class and no number."""
    reply = post(_masses_only(("feed", 100, 1)))

    mass = stream(reply, "mag 1")["mass"]
    assert ("unobservable", None, None) == (mass["class"], mass["value"], mass["sd"])
    assert "nonredundant" == stream(reply, "feed")["mass"]["class"]
    assert reply.json()["test"]["p_value"] is None


def test_a_small_negative_assay_is_taken_with_a_warning() -> None:
    """A blank-corrected assay below zero counts as read; its reconciled value does not go there."""
    request = minimal()
    request["readings"][4] = {"stream": "mag 1", "of": "Sn", "value": -0.01, "sd": 0.02}

    reply = post(request)

    assert 200 == reply.status_code
    assert any("'mag 1' is negative (-0.01 %" in warning for warning in reply.json()["warnings"])
    assay = stream(reply, "mag 1")["assays"][0]
    assert -0.01 == assay["reading"]
    assert assay["value"] >= 0


def test_an_assay_above_the_theoretical_content_is_a_warning() -> None:
    """Weathered minerals exceed their formula, so the balance is made and the word given."""
    request = minimal()
    request["flowsheet"]["components"] = [{"name": "Sn", "theoretical": 40}]

    reply = post(request)

    assert 200 == reply.status_code
    warning = next(w for w in reply.json()["warnings"] if "theoretical" in w)
    assert "'nonmag'" in warning
    assert "48.1 % read" in warning
    assert "40 %" in warning


def test_a_relative_sd_that_looks_like_percent_is_a_warning() -> None:
    """relative_sd is a fraction; 2 is 200 % and worth a word."""
    request = minimal()
    request["readings"][3]["relative_sd"] = 2

    assert any("200 %" in warning for warning in post(request).json()["warnings"])


def test_fixed_values_that_contradict_each_other_are_a_problem_naming_the_node() -> None:
    """Exact masses that cannot balance give 422 with the outcome, the node and the readings."""
    reply = post(_masses_only(("feed", 100, 0), ("mag 1", 30, 0), ("nonmag", 60, 0)))

    problem = reply.json()
    assert 422 == reply.status_code
    assert "/problems/contradictory-fixed-values" == problem["type"]
    assert "contradictory fixed values" == problem["outcome"]
    assert ["stage 1"] == problem["nodes"]
    assert problem["reason"]
    assert "streams" not in problem
    assert set(faults(reply)) <= {"/readings/0", "/readings/1", "/readings/2"}


def test_running_out_of_time_is_a_problem_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """
    Over the time budget the service says so with 503 and gives no half answer.

    By a clock that is an hour ahead and a second further on at each look, however fast it all goes.
    """
    ahead = count(time.perf_counter() + 3600.0)
    monkeypatch.setattr("reconcile.kernel.budget._clock", lambda: next(ahead))
    request = example("tin-shed")
    request["options"] = {"time_budget_s": 0.5}

    reply = post(request)

    assert 503 == reply.status_code
    assert "/problems/over-budget" == reply.json()["type"]
    assert "over budget" == reply.json()["outcome"]


def test_the_service_has_the_last_word_on_time() -> None:
    """A request cannot ask for more time than the service allows."""
    request = example("tin-shed")
    request["options"] = {"time_budget_s": 1000}

    assert 503 == post(request, create_app(Settings(time_budget_s=1e-9))).status_code


@pytest.mark.parametrize("name", sorted({*EXAMPLE_NAMES} - {*FAULTY_NAMES}))
def test_the_examples_close(name: str) -> None:
    """Each example gives a balance that closes to 1e-9 and passes its test, without warnings."""
    reply = post(example(name)).json()

    assert "closed" == reply["outcome"]
    assert [] == reply["warnings"]
    assert all(worst["relative"] <= 1e-9 for worst in reply["closure"]["worst"])
    assert reply["test"]["p_value"] > 0.01
    assert "invented" in reply["note"].lower()


@pytest.mark.parametrize("name", SIMPLE_NAMES)
def test_the_numbers_of_the_reply_close_by_themselves(name: str) -> None:
    """What the caller adds up from the reply balances at each node, for mass and components."""
    request, reply = example(name), post(example(name)).json()

    def content(entry: dict[str, Any], of: str) -> float:
        if of == "mass":
            return float(entry["mass"]["value"])
        return next(c["value"] for c in entry["component_masses"] if c["component"] == of)

    components = [c["name"] for c in request["flowsheet"].get("components", [])]
    for node in request["flowsheet"]["nodes"]:
        for of in ["mass", *components]:
            into = sum(content(s, of) for s in reply["streams"] if s["to"] == node)
            out = sum(content(s, of) for s in reply["streams"] if s["from"] == node)
            assert into == pytest.approx(out, rel=1e-9)


def _solids(entry: dict[str, Any]) -> float:
    return float(entry["mass"]["value"])


@pytest.mark.parametrize("name", GENERAL_NAMES)
def test_solids_close_at_every_node_and_period_with_the_change_of_its_stock(name: str) -> None:
    """In less out is what the stock grew by, or nothing, for every node of every period."""
    request, reply = example(name), post(example(name)).json()
    grown = {(s["node"], s["period"]): _solids(s["change"]) for s in reply["stocks"]}

    for node in request["flowsheet"]["nodes"]:
        label = node if isinstance(node, str) else node["name"]
        for period in request.get("periods", [None]):
            here = [s for s in reply["streams"] if s["period"] == period]
            into = sum(_solids(s) for s in here if s["to"] == label)
            out = sum(_solids(s) for s in here if s["from"] == label)
            assert into - out == pytest.approx(grown.get((label, period), 0.0), abs=1e-9 * into)


@pytest.mark.parametrize("name", SIMPLE_NAMES)
def test_shares_add_up_to_the_whole(name: str) -> None:
    """The splits of a node, and the recoveries of a component, add up to 100 %."""
    reply = post(example(name)).json()

    for split in reply["splits"]:
        assert 100 == pytest.approx(sum(s["value"] for s in split["streams"]))
    for recovery in reply["recoveries"]:
        assert 100 == pytest.approx(sum(p["value"] for p in recovery["products"]))


def test_the_reply_is_strict_json_of_finite_numbers() -> None:
    """No NaN, no infinity, whatever is unknown."""
    request = minimal()
    request["readings"] = request["readings"][:1]

    json.loads(post(request).text, parse_constant=pytest.fail)


def test_the_roles_of_streams_are_told() -> None:
    """Feeds come from outside, products leave, the rest is internal."""
    reply = post(example("tin-shed"))

    assert "feed" == stream(reply, "feed")["role"]
    assert "internal" == stream(reply, "rest 1")["role"]
    assert "product" == stream(reply, "nonmag")["role"]
