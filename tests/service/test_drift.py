"""Drift over HTTP and by the command line: what a series shows, and what is refused."""

import copy
import json
import re
from typing import Any

import httpx
import numpy as np
import pytest

from reconcile.drift import FEWEST_SHIFTS
from service.app import create_app
from service.drift.schemas import MINIMAL_EXAMPLE
from service.kit.settings import Settings

from .client import EXAMPLES, JSON, ask, faults
from .test_cli import run

DRIFT = "/v1/drift"
NAMES = ("flotation-over-sixty-shifts", "weighers-over-ninety-shifts")


def post(body: object, settings: Settings | None = None) -> httpx.Response:
    content = body if isinstance(body, str | bytes) else json.dumps(body)
    app = create_app(settings) if settings else None
    return ask("POST", DRIFT, content=content, headers=JSON, app=app)


def minimal() -> dict[str, Any]:
    return copy.deepcopy(MINIMAL_EXAMPLE)


def example(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((EXAMPLES / "drift" / f"{name}.json").read_text("utf-8"))
    return found


def series(shifts: int, *, bias: float = 0.0, since: int = 50, seed: int = 1) -> dict[str, Any]:
    """Give a series of one separation with the feed weigher too high by so many sds."""
    rng, request = np.random.default_rng(seed), minimal()
    request["shifts"] = []
    for k in range(shifts):
        mag, rest = rng.uniform(36, 44), rng.uniform(55, 65)
        errors = rng.standard_normal(3)
        feed = mag + rest + errors[0] + bias * (k >= since)
        values = [feed, mag + 0.5 * errors[1], rest + 0.5 * errors[2]]
        request["shifts"].append({"name": f"shift {k + 1}", "values": [float(v) for v in values]})
    return request


def test_a_series_without_drift_says_so() -> None:
    """No finding, a chart for what is checked, and a sentence."""
    reply = post(series(60))

    assert 200 == reply.status_code
    found = reply.json()
    assert [] == found["biases"] == found["slips"] == found["wrong_sds"]
    assert "No instrument is off, and no stated sd is contradicted." in found["statements"]
    assert 60 == found["shifts"]


def test_a_lasting_bias_is_named_in_the_units_of_its_readings() -> None:
    """A weigher three sd of 1 t/h too high since shift 51: sized in sds, t/h and per cent."""
    found = post(series(120, bias=3.0)).json()

    (bias,) = found["biases"]
    assert 3.0 == pytest.approx(bias["size"]["value"], abs=4 * bias["size"]["sd"])
    assert bias["size"]["sds"] == pytest.approx(bias["size"]["value"])
    assert "t/h" == bias["size"]["unit"]
    assert 3.0 == pytest.approx(bias["size"]["percent"], abs=0.8)
    assert "jump" == bias["course"]
    # One node and nothing else read: any of the three weighers may be the one.
    assert {"mass of 'feed'", "mass of 'mag 1'", "mass of 'nonmag'"} == {
        bias["instrument"],
        *(rival["instrument"] for rival in bias["rivals"]),
    }
    assert all(rival["inseparable"] for rival in bias["rivals"])
    assert "hardly tell them apart" in bias["statement"]
    assert int(bias["since"].split()[1]) in range(44, 56)


def test_the_examples_show_what_they_were_made_to() -> None:
    """A low assay, an sd too small and a slip; a weigher that creeps and a shift left out."""
    flotation, weighers = (post(example(name)).json() for name in NAMES)

    assert "Cu of 'fresh feed'" == flotation["biases"][0]["instrument"]
    assert flotation["biases"][0]["size"]["sds"] < 0
    assert "S of 'final tailing'" == flotation["wrong_sds"][0]["instrument"]
    assert flotation["wrong_sds"][0]["ratio"] > 1
    slip = flotation["slips"][0]
    assert ("Cu of 'rougher tailing'", "2026-03-15 day") == (slip["instrument"], slip["shift"])
    assert "belt weigher 3" == weighers["biases"][0]["instrument"]
    assert "ramp" == weighers["biases"][0]["course"]
    assert ["shift 12"] == [one["shift"] for one in weighers["left_out"]]
    assert "cannot all be true" in weighers["left_out"][0]["reason"]


def test_what_nothing_checks_is_refused_an_estimate() -> None:
    """A reading without redundancy has no chart and no sd ratio, but a reason."""
    request = series(30)
    for shift in request["shifts"]:
        shift["values"][2] = None

    found = post(request).json()

    assert {"unchecked"} == {one["watch"] for one in found["instruments"]}
    assert {"not told"} == {one["sd"]["verdict"] for one in found["instruments"]}
    assert {None} == {one["sd"]["ratio"] for one in found["instruments"]}
    assert found["charting"] is None
    assert "no drift can show" in found["statements"][0]


def test_the_unit_of_a_series_changes_no_finding() -> None:
    """The same shifts in kg/h: the same shift, sds and per cents, values a thousand times."""
    tonnes = series(120, bias=3.0)
    kilos = copy.deepcopy(tonnes)
    kilos["flowsheet"]["mass_unit"] = "kg/h"
    for reading in kilos["readings"]:
        reading["sd"] *= 1000
    for shift in kilos["shifts"]:
        shift["values"] = [1000 * value for value in shift["values"]]

    one, other = post(tonnes).json()["biases"][0], post(kilos).json()["biases"][0]

    assert one["since"] == other["since"]
    assert pytest.approx(one["size"]["sds"], rel=1e-6) == other["size"]["sds"]
    assert pytest.approx(1000 * one["size"]["value"], rel=1e-6) == other["size"]["value"]


def test_values_and_full_readings_are_the_same() -> None:
    """A shift may give its readings in full; nothing but the form differs."""
    short = series(60, bias=3.0, since=20)
    full = copy.deepcopy(short)
    templates = full.pop("readings")
    for shift in full["shifts"]:
        values = shift.pop("values")
        shift["readings"] = [t | {"value": v} for t, v in zip(templates, values, strict=True)]

    one, other = post(short).json(), post(full).json()

    assert _without_time(one) == _without_time(other)


def test_an_instrument_has_the_readings_that_it_names() -> None:
    """Two weighers of the products as one instrument; the feed stays by itself."""
    request = series(60)
    request["instruments"] = [{"name": "weigher P", "stream": ["mag 1", "nonmag"], "of": "mass"}]

    found = post(request).json()["instruments"]

    assert ["weigher P", "mass of 'feed'"] == [one["name"] for one in found]
    assert ["mass of 'mag 1'", "mass of 'nonmag'"] == found[0]["readings"]


def test_an_error_model_is_checked_over_all_that_refer_to_it() -> None:
    """Weighers by one model whose sds are made twice as large as stated; the other is as stated."""
    request, rng = series(300), np.random.default_rng(5)
    request["error_models"] = [
        {"name": "belts", "sd": 0.5, "unit": "t/h"},
        {"name": "feed", "sd": 1.0, "unit": "t/h"},
        {"name": "of nothing", "sd": 1.0, "unit": "t/h"},
    ]
    for reading, model in zip(request["readings"], ("feed", "belts", "belts"), strict=True):
        del reading["sd"]
        reading["error_model"] = model
    for shift in request["shifts"]:
        feed, *products = shift["values"]
        shift["values"] = [
            feed,
            *(v + 0.5 * 3**0.5 * float(rng.standard_normal()) for v in products),
        ]

    found = post(request).json()["error_models"]

    # One balance among three weighers: the two models cannot both be told from it.
    assert ["belts", "feed"] == [one["name"] for one in found]
    assert [2, 1] == [one["readings"] for one in found]
    assert {"not told"} == {one["verdict"] for one in found}
    request["error_models"].pop(1)
    request["readings"][0] = {"stream": "feed", "of": "mass", "sd": 1.0}
    (belts,) = post(request).json()["error_models"]
    assert "too small" == belts["verdict"]
    assert belts["low"] <= 2.0 <= belts["high"]


def test_the_course_of_a_chart_comes_back_where_it_is_asked() -> None:
    """The sums add up what is standardised, as their definition says; else there is no course."""
    request = series(60, bias=2.0, since=20)
    quiet = post(request).json()["instruments"][0]

    request["options"] = {"paths": True}
    told = post(request).json()

    assert quiet["path"] is None
    path, k, total = told["instruments"][0]["path"], told["charting"]["allowance"], 0.0
    for z, upper in zip(path["standardised"], path["upper"], strict=True):
        total = max(0.0, total + z - k)
        assert pytest.approx(total) == upper
    assert max(*path["upper"], *path["lower"]) == told["instruments"][0]["peak"]


def test_readings_that_hang_together_in_time_bring_a_warning() -> None:
    """Errors carried from shift to shift are told, since charts take shifts as independent."""
    request, rng, carried = series(200), np.random.default_rng(3), 0.0
    for shift in request["shifts"]:
        carried = 0.9 * carried + 1.2 * float(rng.standard_normal())
        shift["values"][0] += carried

    assert any("hang together" in said for said in post(request).json()["warnings"])


def test_all_faults_come_at_once_in_their_places() -> None:
    """Types, names, counts and sense, from the options to the last shift."""
    request = series(12)
    request["readings"][0]["value"] = 3
    request["readings"][1] = {"stream": "mag 1", "of": "mass", "relative_sd": 0.02}
    request["readings"][2]["stream"] = "nowhere"
    request["shifts"][1]["name"] = "shift 1"
    request["shifts"][2]["values"] = [1.0]
    request["shifts"][3]["values"][1] = 0
    request["shifts"][4]["readings"] = [{"stream": "feed", "of": "Cu", "value": 3, "sd": 1}]
    request["instruments"] = [
        {"name": "all"},
        {"name": "weigher", "stream": "mag 1"},
        {"name": "weigher", "stream": "mag 1", "of": "mass"},
        {"name": "none", "of": "Fe"},
    ]
    request["options"] = {"average_run_length": 3}

    reply = post(request)

    assert 422 == reply.status_code
    assert {
        "/instruments/0": "instrument-of-everything",
        "/instruments/2": "reading-of-two-instruments",
        "/instruments/2/name": "repeated-name",
        "/instruments/3": "instrument-without-readings",
        "/options/average_run_length": "number-out-of-range",
        "/readings/0/value": "result-outside-shifts",
        "/readings/2/stream": "unknown-stream",
        "/shifts/1/name": "repeated-name",
        "/shifts/2/values": "values-do-not-fit",
        "/shifts/3/values/1": "relative-sd-on-zero",
        "/shifts/4/readings/0/of": "unknown-component",
    } == faults(reply)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"shifts": []}, {"/shifts": "too-few-shifts"}),
        ({"shifts": [{"name": "a", "values": "1"}]}, {"/shifts/0/values": "not-a-list"}),
        ({"shifts": 3}, {"/shifts": "not-a-list"}),
        ({"flowsheet": None}, {"/flowsheet": "not-an-object"}),
        ({"periods": ["a"]}, {"/periods": "unknown-field"}),
    ],
)
def test_a_request_that_cannot_be_read_is_told_where(
    change: dict[str, Any], expected: dict[str, str]
) -> None:
    """Wrong kinds of JSON are named, and nothing that follows from them alone."""
    found = faults(post(minimal() | change))

    assert expected.items() <= found.items()


def test_values_that_are_no_numbers_are_told_where() -> None:
    """Text, truth values and the like in a list of values have a pointer each."""
    request = series(12)
    request["shifts"][5]["values"] = ["1", True, None]

    assert {
        "/shifts/5/values/0": "not-a-number",
        "/shifts/5/values/1": "not-a-number",
    } == faults(post(request))


def test_empty_shifts_are_left_out_by_name() -> None:
    """A shift in which nothing was read is no fault, but it is said."""
    request = series(30)
    del request["shifts"][4]["values"]

    found = post(request).json()

    assert [("shift 5", "Nothing was read.")] == [
        (one["shift"], one["reason"]) for one in found["left_out"]
    ]


def test_too_few_balances_are_a_problem_that_names_the_shifts() -> None:
    """Where fixed values contradict each other in every shift, each is told with its reason."""
    request = series(FEWEST_SHIFTS)
    for reading in request["readings"]:
        reading["sd"] = 0

    reply = post(request)

    assert (422, "/problems/not-converged") == (reply.status_code, reply.json()["type"])
    assert {f"/shifts/{k}" for k in range(FEWEST_SHIFTS)} == set(faults(reply))
    assert {"contradictory-fixed-values"} == set(faults(reply).values())


def test_a_series_over_its_time_is_a_problem() -> None:
    """The budget is that of the whole series."""
    request = example(NAMES[0]) | {"options": {"time_budget_s": 0.002}}

    reply = post(request)

    assert (503, "over budget") == (reply.status_code, reply.json()["outcome"])


def test_a_series_beyond_the_limit_of_readings_is_refused() -> None:
    """The limit counts the readings of all shifts, before any of them is looked at."""
    reply = post(series(12), Settings(reading_limit=35))

    assert {"/shifts": "too-many-readings"} == faults(reply)


def test_the_request_in_the_readme_can_be_sent() -> None:
    """The marked piece is a whole request, and its reply has the members told beside it."""
    page = (EXAMPLES.parents[1] / "README.md").read_text(encoding="utf-8")
    piece = page.split("<!-- drift -->\n```json\n")[1].split("```")[0]

    reply = post(json.loads(piece))

    assert 200 == reply.status_code
    assert ["belt weigher 7", "mass of 'feed'"] == [i["name"] for i in reply.json()["instruments"]]
    told = page.split("## Many shifts")[1].split("\n## ")[0]
    assert [m for m in ("biases", "wrong_sds", "slips", "instruments") if f"**`{m}`**" in told]


def test_the_sentences_in_the_readme_are_those_of_the_examples() -> None:
    """Each quotation is a statement of a reply, word for word."""
    page = (EXAMPLES.parents[1] / "README.md").read_text(encoding="utf-8")
    told = page.split("## Many shifts")[1].split("\n## ")[0]
    quoted = [
        " ".join(q.replace("\n> ", " ").split())
        for q in re.findall(r"(?:^> (.+(?:\n> .+)*))", told, re.MULTILINE)
    ]
    replies = [post(example(name)).json() for name in NAMES]
    said = [f["statement"] for r in replies for m in ("biases", "wrong_sds", "slips") for f in r[m]]

    assert 2 == len(quoted)
    assert [] == [quote for quote in quoted if quote not in said]


def _without_time(reply: Any) -> Any:
    reply.pop("engine_time_ms")
    return reply


def test_the_command_prints_what_the_service_answers() -> None:
    """With --json the reply, the time taken aside; without it sentences and a table that fits."""
    path = str(EXAMPLES / "drift" / f"{NAMES[1]}.json")
    printed, table = run("drift", "--json", path), run("drift", path)

    assert 0 == printed.returncode == table.returncode
    answered = _without_time(post(example(NAMES[1])).json())
    assert answered == _without_time(json.loads(printed.stdout))
    text = table.stdout.decode()
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "Belt weigher 3 crept high" in text
    assert "Left out: shift 12" in text


def test_the_command_refuses_like_the_service() -> None:
    """Status 2 for bad input with a line for each fault, status 1 where there is no answer."""
    bad = run("drift", "-", stdin=json.dumps(minimal() | {"shifts": []}).encode())
    request = series(FEWEST_SHIFTS)
    for reading in request["readings"]:
        reading["sd"] = 0
    none = run("drift", "-", stdin=json.dumps(request).encode())

    assert 2 == bad.returncode
    assert b"/shifts: " in bad.stderr
    assert 1 == none.returncode
    assert b"/shifts/3: " in none.stderr
