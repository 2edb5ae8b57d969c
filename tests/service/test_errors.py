"""Where the standard deviation of a reading comes from, and what readings share."""

import math
from typing import Any

import pytest

from .client import faults, post
from .test_circuits import EXACT, balanced, named, read, separator


def one(of: Any, value: float | None = None, **more: Any) -> dict[str, Any]:
    """Give the reply's account of a single reading of tin in the feed."""
    extra = {k: more.pop(k) for k in ("error_models", "causes", "controls", "options") if k in more}
    request = separator(components=[{"name": "Sn", "detection_limit": 0.03}]) | extra
    request["readings"] = [read(of, value, **more)]
    found: dict[str, Any] = balanced(request)["readings"][0]
    return found


GRAVEL = {
    "sample_mass": 178.26,
    "mass_unit": "kg",
    "top_size": {"value": 25, "unit": "mm"},
    "liberation_size": {"value": 150, "unit": "um"},
    "mineral_fraction": 0.05774,
    "mineral_density": {"value": 7.5, "unit": "g/cm3"},
    "gangue_density": {"value": 2650, "unit": "kg/m3"},
}


@pytest.mark.parametrize(
    ("given", "sd", "words"),
    [
        ({"sd": 0.5}, 0.5, "stated as 0.5"),
        ({"relative_sd": 0.02}, 0.8, "2 % of the value"),
        ({"sd": 0.6, "relative_sd": 0.02}, 1.0, "0.6 and 2 % of the value"),
        ({"sd": 0.1, "step": 1}, 1 / math.sqrt(12), "raised to the rounding of 1"),
        ({"sd": 0.5, "step": 0.1}, 0.5, "at least the rounding of 0.1"),
        ({"interlaboratory": True}, 40 * 0.01 / math.sqrt(0.4), "as laboratories differ"),
        ({"sd": 0.3, "sampling": GRAVEL}, 0.5, "a fundamental sampling error of 1 %"),
    ],
)
def test_the_reply_says_where_an_sd_came_from(given: dict[str, Any], sd: float, words: str) -> None:
    """
    40 % of tin with each kind of error, in the reading's unit.

    Rounding: step/sqrt 12 (uniform). Between laboratories: 0.01 sqrt(c) above 13.8 % (Thompson
    2000). Sampling: 178.26 kg of the lead ore of Wills' sampling chapter give 1 % relative, within
    the 1 % to which it is known.
    """
    found = one("Sn", 40, **given)

    assert sd == pytest.approx(found["sd"], rel=0.01)
    assert words in found["sd_from"]


def test_sampling_and_analysis_have_their_shares_of_the_variance() -> None:
    """1 % of 40 is 0.4 of sampling, beside 0.3 of analysis: 64 and 36 % of the variance."""
    share = one("Sn", 40, sd=0.3, sampling=GRAVEL)["variance"]

    assert (64, 36, 0, 0) == pytest.approx(
        tuple(share[k] for k in ("sampling", "analysis", "weighing", "undivided")), abs=1
    )


def test_an_error_model_is_used_by_name_in_its_own_unit() -> None:
    """200 ppm and 1 % at 4 % are 0.02 and 0.04 in %."""
    models = [{"name": "XRF", "sd": 200, "relative_sd": 0.01, "unit": "ppm"}]

    found = one("Sn", 4, error_model="XRF", error_models=models)

    assert math.hypot(0.02, 0.04) == pytest.approx(found["sd"])
    assert "by the error model 'XRF'" in found["sd_from"]


def test_an_error_model_may_be_learnt_from_duplicates() -> None:
    """Pairs that differ by 2 % of their level have a relative sd of 2 %/sqrt 2."""
    pairs = [[level * 1.01, level * 0.99] for level in (1, 3, 10, 30)]
    models = [{"name": "XRF", "duplicates": pairs, "unit": "%"}]

    found = one("Sn", 20, error_model="XRF", error_models=models)

    assert 20 * 0.02 / math.sqrt(2) == pytest.approx(found["sd"], rel=1e-3)
    assert "4 duplicates" in found["sd_from"]


def test_replicates_give_their_mean_and_its_error() -> None:
    """Six of 9 and 11 in turn: mean 10, sd sqrt(6/5), that of the mean over sqrt 6."""
    found = one("Sn", replicates=[9, 11, 9, 11, 9, 11])

    assert 10 == found["value"]
    assert math.sqrt(6 / 5 / 6) == pytest.approx(found["sd"])
    assert "6 replicates" in found["sd_from"]


def test_few_replicates_borrow_the_spread_of_the_others() -> None:
    """
    Two pairs 2 apart and 1 apart: the pooled sd is sqrt((2 + 0.5)/2), of a mean over sqrt 2.

    Sum of squares about the means over the degrees of freedom; any textbook of statistics.
    """
    request = separator(components=["Sn"]) | {"options": {"pooling": "absolute"}}
    request["readings"] = [
        read("Sn", replicates=[9, 11]),
        read("Sn", where="under", replicates=[20, 21]),
        read("Sn", where="over", replicates=[5]),
    ]

    first, second, third = balanced(request)["readings"]

    pooled = math.sqrt((2 + 0.5) / 2)
    assert pooled / math.sqrt(2) == pytest.approx(first["sd"])
    assert first["sd"] == pytest.approx(second["sd"])
    assert pooled == pytest.approx(third["sd"])
    assert "pooled from 4 replicates on 2 streams" in first["sd_from"]


def test_one_wild_replicate_does_not_rule_where_robust_is_asked_for() -> None:
    """The location stays with the eight that agree, its error far below that of the mean."""
    values = [9.9, 10.1, 10.0, 9.95, 10.05, 10.1, 9.9, 20.0]

    plain = one("Sn", replicates=values)
    robust = one("Sn", replicates=values, options={"robust_replicates": True})

    assert 10 == pytest.approx(robust["value"], abs=0.1)
    assert robust["sd"] < 0.1 * plain["sd"]


def test_readings_of_one_weigher_share_its_error() -> None:
    """
    A difference of two masses does not feel an absolute error that both have.

    10 ± 1 and 7 ± 1 with a shared 5: the rest is 3 ± sqrt 2, while each mass has sqrt 26.
    """
    request = separator() | {"causes": [{"name": "weigher", "sd": 5, "unit": "t/h"}]}
    request["readings"] = [
        read("mass", 10, sd=1, causes=["weigher"]),
        read("mass", 7, "under", sd=1, causes=["weigher"]),
    ]

    reply = balanced(request)

    assert math.sqrt(2) == pytest.approx(named(reply, "over")["mass"]["sd"])
    assert math.sqrt(26) == pytest.approx(reply["readings"][0]["sd"])
    assert "shared with others: weigher" in reply["readings"][0]["sd_from"]
    assert "weigher" == reply["shared_errors"][0]["name"]


def test_a_split_shared_by_two_tests_is_told_apart_from_analysis() -> None:
    """A cause may have its size with the reading, and a stage: 0.4 of sampling beside 0.3."""
    cause = {"cause": "head split", "relative_sd": 0.01, "stage": "sampling"}

    found = one("Sn", 40, sd=0.3, error_of="analysis", causes=[])
    shared = balanced(
        separator(components=["Sn"]) | {"readings": [read("Sn", 40, sd=0.3, causes=[cause])]}
    )["readings"][0]

    assert 100 == pytest.approx(found["variance"]["analysis"])
    assert 64 == pytest.approx(shared["variance"]["sampling"])
    assert 0.5 == pytest.approx(shared["sd"])


def test_a_control_sample_says_how_large_a_batch_bias_is() -> None:
    """
    A prior of 0 ± 1 and a control 0.4 high with an error of 0.2 give the posterior of one normal.

    With the bias's sd b = 0.2 and the control's s = hypot(0.16, 0.12) = 0.2: estimate 0.4 b/(b² +
    s²) = 1 of its sd, sd s/sqrt(b² + s²) (product of two normals).
    """
    request = separator(components=["Sn"]) | {
        "causes": [{"name": "batch", "sd": 0.2, "unit": "%"}],
        "controls": [
            {
                "name": "control",
                "cause": "batch",
                "certified": 30,
                "certified_sd": 0.12,
                "value": 30.4,
                "sd": 0.16,
                "unit": "%",
            }
        ],
    }
    request["readings"] = [read("Sn", 20, sd=EXACT, causes=["batch"])]

    reply = balanced(request)

    (shared,) = reply["shared_errors"]
    assert 1 == pytest.approx(shared["value"])
    assert math.sqrt(0.5) == pytest.approx(shared["sd"])
    assert "+0.20 ± 0.14 %" in shared["statement"]
    assert 19.8 == pytest.approx(reply["readings"][0]["reconciled"], rel=1e-5)


def test_a_blank_is_a_control_of_nothing() -> None:
    """Blanks that read 0.02 on average pull the batch's absolute bias up."""
    request = separator(components=["Sn"]) | {
        "causes": [{"name": "batch", "sd": 0.05, "unit": "%"}],
        "controls": [
            {
                "name": "blank",
                "cause": "batch",
                "certified": 0,
                "certified_sd": 0,
                "replicates": [0.01, 0.03, 0.02],
                "unit": "%",
            }
        ],
    }
    request["readings"] = [read("Sn", 1, sd=0.01, causes=["batch"])]

    reply = balanced(request)

    assert reply["readings"][0]["reconciled"] < 0.985
    assert reply["shared_errors"][0]["value"] > 0.3


# --- below and above --------------------------------------------------------------------------


def test_a_result_below_detection_is_no_number() -> None:
    """It is at least zero, below the limit, and says how it counts in test and reply."""
    request = separator(components=["Sn"])
    request["readings"] = [
        read("mass", 10, sd=0.1),
        read("mass", 5, "under", sd=0.1),
        read("Sn", 0.5, sd=0.01),
        read("Sn", 0.98, "under", sd=0.01),
        {"stream": "over", "of": "Sn", "below": 0.05},
    ]

    reply = balanced(request)

    assay = named(reply, "over")["assays"][0]
    assert assay["reading"] is None
    assert 0 < assay["value"] < 0.05
    limit = reply["readings"][4]
    assert ("below", 0.05) == (limit["limit"], limit["value"])
    assert 0.05 / 3 == pytest.approx(limit["sd"])
    assert "by convention" in limit["sd_from"]
    assert any("degree of freedom" in said for said in reply["statements"])
    assert "normal tail" in reply["estimator"]


def test_a_limit_far_above_the_truth_says_next_to_nothing() -> None:
    """Below 5 % beside 0.4 ± 0.1: the value stays (the tail is flat there)."""
    request = separator(components=["Sn"])
    request["flowsheet"]["streams"][1:] = [{"name": "out", "from": "cyclone"}]
    request["readings"] = [
        read("Sn", 0.4, sd=0.1),
        {"stream": "out", "of": "Sn", "below": 5, "sd": 0.1},
    ]

    assert 0.4 == pytest.approx(named(balanced(request), "feed")["assays"][0]["value"], rel=1e-6)


def test_a_result_above_the_range_holds_from_below() -> None:
    """A reading above 60 beside 55 ± 5 comes out higher than 55."""
    request = separator(components=["Sn"])
    request["flowsheet"]["streams"][1:] = [{"name": "out", "from": "cyclone"}]
    request["readings"] = [
        read("Sn", 55, sd=5),
        {"stream": "out", "of": "Sn", "above": 60, "sd": 0.5},
    ]

    assert named(balanced(request), "feed")["assays"][0]["value"] > 59


@pytest.mark.parametrize(("word", "limit"), [("not detected", 0.03), ("trace", 0.1)])
def test_words_stand_for_limits(word: str, limit: float) -> None:
    """Not detected is below the detection limit, trace below ten thirds of it (Currie 1968)."""
    found = one("Sn", result=word)

    assert limit == pytest.approx(found["value"])
    assert "below" == found["limit"]


# --- grain counts -----------------------------------------------------------------------------


def counted(*counts: int, **more: Any) -> dict[str, Any]:
    """Give a request with a count of two or three minerals in the feed."""
    densities = {"ilmenite": 4.7, "quartz": 2.65, "zircon": 4.65}
    names = [*densities][: len(counts)]
    components = [
        {"name": n, "density": {"value": densities[n], "unit": "g/cm3"} | more} for n in names
    ]
    grains = [{"of": n, "count": c} for n, c in zip(names, counts, strict=True)]
    request = separator(
        components=components, closures=[{"components": names, "streams": ["feed"]}]
    )
    request["readings"] = [{"stream": "feed", "counts": {"basis": "number", "grains": grains}}]
    return request


def test_counted_grains_become_masses_by_density() -> None:
    """
    300 of 4.7 and 100 of 2.65 are 84.177 % by mass; the sd is the binomial one carried over.

    dw/dq = r s/(q r + (1 - q) s)² for a share q by number, densities r and s.
    """
    reply = balanced(counted(300, 100))

    ilmenite = reply["readings"][0]["counts"][0]
    q, n = 300 / 400, 400
    w = 300 * 4.7 / (300 * 4.7 + 100 * 2.65)
    slope = 4.7 * 2.65 / (q * 4.7 + (1 - q) * 2.65) ** 2
    sd = slope * math.sqrt(q * (1 - q) / n)
    for part in ("counted", "reconciled"):
        assert 100 * w == pytest.approx(ilmenite[part]["value"])
        assert 100 * sd == pytest.approx(ilmenite[part]["sd"], rel=0.01)
    assert 100 * w == pytest.approx(named(reply, "feed")["assays"][0]["value"])


def test_a_count_of_three_has_the_multinomial_error() -> None:
    """
    For equal densities the variance of a share p is p (1 - p)/n, whatever the others are.

    The continuation ratios must multiply up to it.
    """
    request = counted(200, 120, 80)
    for component in request["flowsheet"]["components"]:
        component["density"]["value"] = 3.0

    counts = balanced(request)["readings"][0]["counts"]

    for share in counts:
        p = share["count"] / 400
        assert 100 * p == pytest.approx(share["reconciled"]["value"])
        assert 100 * math.sqrt(p * (1 - p) / 400) == pytest.approx(
            share["reconciled"]["sd"], rel=0.01
        )


def test_a_mineral_looked_for_and_not_found_has_an_error_too() -> None:
    """
    None of 400 grains counts as none, with the sd that half a grain has.

    sqrt(p (1 - p)/n) at p = 0.5/401.5, in mass at equal densities.
    """
    request = counted(300, 100, 0)
    for component in request["flowsheet"]["components"]:
        component["density"]["value"] = 3.0

    zircon = balanced(request)["readings"][0]["counts"][2]["counted"]

    p = 0.5 / 401.5
    assert 0 == zircon["value"]
    assert 100 * math.sqrt(p * (1 - p) / 400) == pytest.approx(zircon["sd"])


def test_uncertain_grain_densities_are_a_shared_error() -> None:
    """The error of each density is named, once for all of a count."""
    names = [s["name"] for s in balanced(counted(200, 120, 80, sd=0.1))["shared_errors"]]

    assert ["density of ilmenite", "density of quartz", "density of zircon"] == sorted(names)


def test_replicates_without_any_spread_are_refused_with_advice() -> None:
    """Two equal values do not make an error of zero: the step of the print is asked for."""
    request = separator(components=["Sn"])
    request["readings"] = [read("Sn", replicates=[0.1, 0.1])]

    reply = post(request)

    assert {"/readings/0": "unusable-error-input"} == faults(reply)
    request["readings"][0]["step"] = 0.1
    assert 0.1 / math.sqrt(12) == pytest.approx(balanced(request)["readings"][0]["sd"])
