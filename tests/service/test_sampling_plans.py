"""Sampling plans through both doors: the contract, the words, and every fault named."""

import json
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.kit.settings import Settings
from service.sampling_plans.reply import RANKING
from service.sampling_plans.schemas import PLAN_EXAMPLE
from service.sampling_plans.service import plan as planned
from service.sampling_plans.table import as_text

from .client import EXAMPLES, JSON, ask, faults, minimal, post
from .test_cli import run
from .test_contract import DOCUMENT, _validator
from .test_fuzz import _places

PLANS = "/v1/sampling-plans"
NAMES = sorted(path.stem for path in (EXAMPLES / "sampling-plans").glob("*.json"))
TIN = {"stream": "nonmag", "figure": "recovery", "of": "Sn"}


def plan(body: object) -> httpx.Response:
    """Ask for a plan."""
    content = body if isinstance(body, str | bytes) else json.dumps(body)
    return ask("POST", PLANS, content=content, headers=JSON)


def asked(**members: Any) -> dict[str, Any]:
    """Give the minimal request with targets and a budget."""
    return minimal() | {"targets": [TIN], "budget": 2} | members


def path_of(name: str) -> Path:
    return EXAMPLES / "sampling-plans" / f"{name}.json"


# --- the contract ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_examples_and_their_replies_keep_to_the_contract(name: str) -> None:
    """An independent reader of JSON Schema finds nothing wrong with request or reply."""
    request = json.loads(path_of(name).read_text(encoding="utf-8"))
    reply = plan(request)

    assert 200 == reply.status_code, reply.text
    _validator("SamplingPlanRequest").validate(request)
    _validator("SamplingPlanReply").validate(reply.json())
    assert 0 < reply.json()["cost"] <= request["budget"]


def test_the_example_within_the_contract_can_be_sent() -> None:
    """The request shown in the interactive documentation brings a plan."""
    body = DOCUMENT["paths"][PLANS]["post"]["requestBody"]["content"]["application/json"]

    assert PLAN_EXAMPLE == body["example"]
    assert 200 == plan(body["example"]).status_code


def test_the_command_prints_what_the_service_answers() -> None:
    """With --json the reply is the service's."""
    path = path_of("next-best-reading")
    told = json.loads(run("sampling-plan", "--json", str(path)).stdout)

    assert told == plan(path.read_bytes()).json()


@pytest.mark.parametrize("name", NAMES)
def test_the_tables_fit_and_say_what_matters(name: str) -> None:
    """A hundred columns, plain words: candidates, plan, certainty, what it is not."""
    text = as_text(planned(path_of(name).read_bytes(), Settings()))

    assert max(len(line) for line in text.splitlines()) <= 100
    for words in ("Candidates", "gain per cost", "Plan, ", "within", "not a certificate"):
        assert words in " ".join(text.split())
    assert not re.search("[│┌┐└┘├┤─═║|]", text)


# --- what is told ---------------------------------------------------------------------------


def test_the_present_sd_is_that_of_the_balance() -> None:
    """A target has the value and the sd that the balance of the same readings gives it."""
    (recovery,) = (
        product
        for recovery in post(minimal()).json()["recoveries"]
        for product in recovery["products"]
        if product["product"] == "nonmag"
    )

    (target,) = plan(asked()).json()["targets"]

    assert recovery["value"] == pytest.approx(target["value"], rel=1e-9)
    assert recovery["sd"] == pytest.approx(target["sd"], rel=1e-9)
    assert target["known"]


def test_a_reading_with_replicates_has_the_sd_that_was_forecast() -> None:
    """The repeat that a plan takes, once made, brings the sd that it promised, but for its move."""
    reply = plan(asked(budget=1, costs=[{"kind": "improvement", "cost": 9}])).json()
    (step,) = reply["plan"]
    chosen = reply["candidates"][int(step["candidate"].rsplit("/", 1)[1])]
    assert "repeat" == chosen["kind"]
    request = minimal()
    reading = request["readings"][int(chosen["pointer"].rsplit("/", 1)[1])]
    reading["relative_sd"] /= 2**0.5

    balance = post(request).json()
    (recovery,) = (
        p for r in balance["recoveries"] for p in r["products"] if p["product"] == "nonmag"
    )

    assert step["sds_after"][0] == pytest.approx(recovery["sd"], rel=0.01)


def test_candidates_are_ranked_by_gain_for_their_cost() -> None:
    """The list falls in gain per cost, and each cost is that of the last entry that fits."""
    rules = [{"cost": 2}, {"of": "mass", "cost": 0.5}, {"kind": "improvement", "cost": 6}]

    reply = plan(asked(costs=rules)).json()

    rates = [candidate["gain_per_cost"] for candidate in reply["candidates"]]
    assert rates == sorted(rates, reverse=True)
    costs = {(c["kind"], c["of"]): c["cost"] for c in reply["candidates"]}
    assert {
        ("repeat", "mass"): 0.5,
        ("repeat", "Sn"): 2,
        ("improvement", "mass"): 6,
        ("improvement", "Sn"): 6,
    } == costs


def test_what_cannot_be_taken_is_no_candidate() -> None:
    """A cost of null takes readings out, by stream, by quantity or by kind."""
    rules = [{"stream": "feed", "cost": None}, {"kind": "improvement", "of": "mass", "cost": None}]

    candidates = plan(asked(costs=rules)).json()["candidates"]

    assert candidates
    assert all(["feed"] != c["streams"] for c in candidates)
    assert ("improvement", "mass") not in {(c["kind"], c["of"]) for c in candidates}


def test_listed_candidates_stand_alone() -> None:
    """What is listed is looked at and nothing else, in the units of its own and of its reading."""
    listed = [
        {"stream": "feed", "of": "Sn", "cost": 3, "at_most": 2},
        {"stream": "mag 1", "of": "Sn", "sd": 500, "unit": "ppm"},
        {"stream": "nonmag", "of": "Sn", "relative_sd": 0.01, "improves": True},
    ]

    candidates = plan(asked(candidates=listed)).json()["candidates"]

    by_pointer = {c["pointer"]: c for c in candidates}
    repeat, other, better = (by_pointer[f"/candidates/{i}"] for i in range(3))
    assert ["repeat", "repeat", "improvement"] == [c["kind"] for c in (repeat, other, better)]
    assert (3, 2) == (repeat["cost"], repeat["at_most"])
    assert 0.02 * 31.2 == pytest.approx(repeat["sd"])
    assert ("ppm", 500) == (other["unit"], pytest.approx(other["sd"]))
    assert 3.4e4 == pytest.approx(other["expected"], rel=0.05)
    assert 0.01 * 48.1 == pytest.approx(better["sd"])


def test_nothing_to_spend_ranks_alone() -> None:
    """Without a budget there is no plan and no claim about one."""
    reply = plan(asked(budget=0)).json()

    assert [] == reply["plan"]
    assert {"method": RANKING, "bound": None, "gap": None} == reply["certificate"]
    assert reply["candidates"]


def test_the_method_is_said_with_what_it_vouches_for() -> None:
    """Few plans are all tried; many are bounded, and the plan lies above its bound."""
    few = plan(asked(budget=2)).json()["certificate"]
    many = plan(path_of("survey-from-a-design").read_bytes()).json()

    assert ("exhaustive", 0) == (few["method"], few["gap"])
    assert many["certificate"]["method"] in {
        "branch and bound",
        "relaxation, rounding and exchange",
    }
    assert 0 < many["certificate"]["bound"] <= many["after"]["index"]
    gap = 100 * (many["after"]["index"] / many["certificate"]["bound"] - 1)
    assert gap == pytest.approx(many["certificate"]["gap"], rel=1e-6)


def test_a_design_alone_is_enough() -> None:
    """Design values set the point and inform of nothing: all is unknown before, known after."""
    reply = plan(path_of("survey-from-a-design").read_bytes()).json()

    assert all(target["sd"] is None for target in reply["targets"])
    assert all(target["reached"] for target in reply["targets"])
    assert 2 == reply["before"]["unknown"]
    assert any("Design values" in said for said in reply["statements"])


def test_wanted_sds_are_reached_or_not() -> None:
    """Each target with a wanted sd says whether the plan reaches it."""
    targets = [TIN | {"sd": 5}, {"stream": "nonmag", "of": "mass", "sd": 1e-3}]

    first, second = plan(asked(targets=targets)).json()["targets"]

    assert first["reached"] is True
    assert second["reached"] is False
    assert 5 == first["reference_sd"]


def test_a_guess_is_told_as_one() -> None:
    """Where a value does not follow from what was read, the reply says that it is guessed."""
    request = asked(targets=[{"stream": "nonmag", "of": "Sn"}], budget=1)
    request["readings"] = [r for r in request["readings"] if r["of"] == "mass"] + [
        {"stream": "feed", "of": "Sn", "value": 31.2, "relative_sd": 0.02}
    ]

    reply = plan(request).json()

    (target,) = reply["targets"]
    assert (False, None) == (target["known"], target["sd"])
    assert target["sd_after"] is not None
    assert 1 == reply["candidates"][0]["makes_known"]
    assert any("guess" in warning for warning in reply["warnings"])


def test_power_is_told_for_every_reading_with_an_error() -> None:
    """Detection gives every reading its bias, its powers and the smallest bias found."""
    request = minimal() | {"detection": {"aim": "readings reached"}, "budget": 2}

    reply = plan(request).json()

    assert [f"/readings/{i}" for i in range(6)] == [check["pointer"] for check in reply["checks"]]
    for check in reply["checks"]:
        assert check["power"] <= check["power_after"] + 1e-12
        assert check["smallest_bias_after"] <= check["smallest_bias"] + 1e-9
    assert 250 == pytest.approx(reply["checks"][0]["bias"], rel=0.01)


def test_a_survey_of_everything_can_be_planned() -> None:
    """Water, sizes, minerals, counts, stocks and periods have no case of their own."""
    request = json.loads((EXAMPLES / "plant-survey.json").read_text(encoding="utf-8"))
    request |= {
        "targets": [
            {"stream": "magnetics", "period": "day shift", "figure": "recovery", "of": "ilmenite"},
            {"stream": "slimes", "period": "night shift", "of": "moisture"},
            {"stream": "sands", "period": "day shift", "of": {"size": {"passing": 125}}},
        ],
        "budget": 4,
    }
    request["targets"][2]["of"]["size"]["passing"] = request["flowsheet"]["sizes"]["apertures"][0]

    reply = plan(request)

    assert 200 == reply.status_code, reply.text
    _validator("SamplingPlanReply").validate(reply.json())
    for target in reply.json()["targets"]:
        assert target["sd_after"] <= target["sd"]


def test_a_reading_left_out_may_be_taken_anew() -> None:
    """What the caller leaves out is no reading at hand: it can be added, not repeated."""
    request = asked()
    request["readings"][5]["left_out"] = "bag found open"

    candidates = plan(request).json()["candidates"]

    kinds = {c["kind"] for c in candidates if (["nonmag"], "Sn") == (c["streams"], c["of"])}
    assert {"addition"} == kinds


def test_a_content_of_an_unlisted_analyte_is_the_fault_of_a_balance() -> None:
    """Minerals that carry what the flowsheet does not list are refused as for a balance."""
    request = json.loads((EXAMPLES / "mineral-sand.json").read_text(encoding="utf-8"))
    request["flowsheet"]["analytes"].remove("LOI")
    request["readings"] = [r for r in request["readings"] if r.get("of") != "LOI"]
    stream = request["flowsheet"]["streams"][0]["name"]

    reply = plan(request | {"targets": [{"stream": stream, "of": "mass"}]})

    assert 422 == reply.status_code
    assert faults(post(request)) == faults(reply)


ODD = st.sampled_from(
    [None, 0, -1, 1e-15, 1e12, 1e300, True, "", "x", "feed", "Sn", "mass", "%", [], {}, [1]]
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_whatever_is_sent_is_answered(data: st.DataObject) -> None:
    """One or two places of a sound request made odd: a plan or a problem, never a failure."""
    name = data.draw(st.sampled_from(NAMES))
    request = json.loads(path_of(name).read_text(encoding="utf-8"))
    for _ in range(data.draw(st.integers(1, 2))):
        *way, last = data.draw(st.sampled_from(_places(request)))
        here: Any = request
        for part in way:
            here = here[part]
        here[last] = data.draw(ODD)

    reply = plan(request)

    assert reply.status_code in {200, 422}, reply.text
    told = json.loads(reply.text, parse_constant=pytest.fail)
    assert "plan" in told or told["faults"] or told["outcome"]


# --- what is refused ------------------------------------------------------------------------

CASES = [
    ("no goal", {"targets": []}, "", "no-single-goal"),
    ("two goals", {"detection": {}}, "", "no-single-goal"),
    ("unknown stream", {"targets": [TIN | {"stream": "x"}]}, "/targets/0/stream", "unknown-stream"),
    ("target of nothing", {"targets": [{"stream": "feed"}]}, "/targets/0/of", "missing-field"),
    ("unknown word", {"targets": [TIN | {"of": "Pb"}]}, "/targets/0/of", "unknown-component"),
    (
        "recovery of mass",
        {"targets": [TIN | {"of": "mass"}]},
        "/targets/0/of",
        "recovery-of-no-component",
    ),
    ("sd of zero", {"targets": [TIN | {"sd": 0}]}, "/targets/0/sd", "number-out-of-range"),
    ("negative budget", {"budget": -1}, "/budget", "number-out-of-range"),
    ("cost of zero", {"costs": [{"cost": 0}]}, "/costs/0/cost", "number-out-of-range"),
    ("no cost", {"costs": [{"kind": "repeat"}]}, "/costs/0/cost", "missing-field"),
    (
        "cost of a strange stream",
        {"costs": [{"stream": "x", "cost": 1}]},
        "/costs/0/stream",
        "unknown-stream",
    ),
    (
        "strange candidate",
        {"candidates": [{"stream": "x", "of": "Sn"}]},
        "/candidates/0/stream",
        "unknown-stream",
    ),
    (
        "unit of another kind",
        {"candidates": [{"stream": "feed", "of": "Sn", "unit": "kg", "sd": 1}]},
        "/candidates/0/unit",
        "unit-does-not-fit",
    ),
    (
        "nothing to improve",
        {
            "flowsheet": minimal()["flowsheet"] | {"components": ["Sn", "Fe"]},
            "candidates": [{"stream": "feed", "of": "Fe", "sd": 1, "improves": True}],
        },
        "/candidates/0",
        "nothing-to-improve",
    ),
    (
        "no improvement",
        {"candidates": [{"stream": "feed", "of": "Sn", "sd": 50, "improves": True}]},
        "/candidates/0",
        "no-improvement",
    ),
    (
        "design of what was read",
        {"design": [{"stream": "feed", "of": "mass", "value": 2500}]},
        "/design/0",
        "repeated-reading",
    ),
    (
        "design of a strange stream",
        {"design": [{"stream": "x", "of": "mass", "value": 2500}]},
        "/design/0/stream",
        "unknown-stream",
    ),
    ("neither read nor designed", {"readings": []}, "/readings", "no-readings"),
    (
        "power of a robust fit",
        {"targets": [], "detection": {}, "options": {"robust": "huber"}},
        "/options/robust",
        "no-power-of-robust-fit",
    ),
    ("strange member", {"target": []}, "/target", "unknown-field"),
]


@pytest.mark.parametrize(("what", "members", "where", "code"), CASES, ids=[c[0] for c in CASES])
def test_each_fault_has_its_place_and_code(
    what: str, members: dict[str, Any], where: str, code: str
) -> None:
    """Every bad request is refused with the place and a stable code of what is wrong."""
    reply = plan(asked(**members))

    assert 422 == reply.status_code, what
    assert code == faults(reply)[where]


def test_all_faults_come_at_once() -> None:
    """Slips of type and of sense, in readings and in the question, are told together."""
    request = asked(
        targets=[TIN | {"stream": "x"}],
        costs=[{"stream": "y", "cost": 1}],
        budget="much",
        candidates=[{"stream": "feed", "of": "Pb"}],
    )
    request["readings"][0]["sd"] = -1

    found = faults(plan(request))

    assert {
        "/targets/0/stream": "unknown-stream",
        "/costs/0/stream": "unknown-stream",
        "/budget": "not-a-number",
        "/candidates/0/of": "unknown-component",
        "/readings/0/sd": "bad-sd",
    } == found


def test_a_slip_in_one_goal_is_not_told_as_two() -> None:
    """Targets that cannot be read are not taken for missing."""
    assert {"/targets/0/sd": "not-a-number"} == faults(plan(asked(targets=[TIN | {"sd": "x"}])))


@pytest.mark.parametrize("relative", [1e-310, 1e-160])
def test_an_sd_too_small_to_square_is_a_fault_and_no_likeness(relative: float) -> None:
    """What other readings may be expected to err by is not learnt from what is refused."""
    request = asked()
    request["readings"][3]["relative_sd"] = relative

    assert {"/readings/3/relative_sd": "sd-too-small"} == faults(plan(request))


def test_readings_without_a_balance_are_named() -> None:
    """Fixed values that contradict each other are the same problem as for a balance."""
    request = asked()
    for reading in request["readings"][:3]:
        reading["sd"] = 0

    problem = plan(request)

    assert 422 == problem.status_code
    assert "contradictory fixed values" == problem.json()["outcome"]
    assert (
        post({k: request[k] for k in ("flowsheet", "readings")}).json()["detail"]
        == (problem.json()["detail"])
    )


def test_too_many_candidates_are_refused_by_number() -> None:
    """More candidates than are looked at together are refused with what to do."""
    streams = [f"s{i}" for i in range(120)]
    request = {
        "flowsheet": {
            "mass_unit": "t",
            "nodes": ["a"],
            "streams": [
                {"name": "in", "to": "a"},
                *({"name": name, "from": "a"} for name in streams),
            ],
            "components": [f"c{k}" for k in range(10)],
        },
        "readings": [{"stream": "in", "of": "mass", "value": 100, "sd": 1}],
        "targets": [{"stream": "in", "of": "mass"}],
    }

    assert {"/candidates": "too-many-candidates"} == faults(plan(request))
