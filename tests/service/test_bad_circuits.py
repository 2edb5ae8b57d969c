"""Bad input for everything a circuit may hold: each kind has its place, its code and advice."""

import copy
from typing import Any

import pytest

from .client import faults, post

DENSITY = {"value": 4.7, "unit": "g/cm3"}
SAMPLING = {
    "sample_mass": 200,
    "mass_unit": "g",
    "top_size": {"value": 425, "unit": "um"},
    "liberation_size": {"value": 425, "unit": "um"},
    "mineral_fraction": 0.1,
    "mineral_density": DENSITY,
    "gangue_density": {"value": 2.7, "unit": "g/cm3"},
}
GOOD: dict[str, Any] = {
    "flowsheet": {
        "mass_unit": "t",
        "nodes": [{"name": "bin", "stock": True}, {"name": "mill", "alters": ["sizes"]}],
        "streams": [
            {"name": "ore", "to": "bin"},
            {"name": "wash", "to": "mill", "carries": "water"},
            {"name": "mill feed", "from": "bin", "to": "mill"},
            {"name": "product", "from": "mill"},
            {"name": "dust", "from": "mill", "kind": "loss"},
        ],
        "components": [
            {"name": "ilmenite", "formula": "FeTiO3", "density": DENSITY},
            {"name": "quartz", "formula": "SiO2", "density": {"value": 2.65, "unit": "g/cm3"}},
        ],
        "analytes": ["TiO2", "SiO2"],
        "water": True,
        "sizes": {"unit": "um", "apertures": [125, 63], "components": ["ilmenite"]},
        "closures": [{"components": ["ilmenite", "quartz"]}],
        "orders": [
            {"component": "ilmenite", "stream": "product", "at_least_as_rich_as": "mill feed"}
        ],
    },
    "periods": ["day", "night"],
    "error_models": [{"name": "XRF", "sd": 0.1, "unit": "%"}],
    "causes": [{"name": "weigher", "relative_sd": 0.01}, {"name": "batch", "sd": 0.1, "unit": "%"}],
    "controls": [
        {
            "name": "control",
            "cause": "batch",
            "certified": 30,
            "certified_sd": 0.1,
            "value": 30.1,
            "sd": 0.1,
            "unit": "%",
        }
    ],
    "readings": [
        {"stock": "bin", "at": "opening", "of": "mass", "value": 100, "sd": 1},
        {"stream": "ore", "period": "day", "of": "mass", "value": 50, "sd": 1},
        {"stream": "ore", "period": ["day", "night"], "of": "TiO2", "value": 20, "sd": 0.1},
        {
            "stream": "product",
            "period": "day",
            "of": {"size": {"passing": 63}},
            "value": 60,
            "sd": 1,
        },
        {"stream": "product", "period": "day", "of": "moisture", "value": 6, "sd": 0.2},
        {"stream": "mill feed", "period": "day", "of": "SiO2", "value": 40, "error_model": "XRF"},
    ],
}


def changed(path: str, value: Any) -> dict[str, Any]:
    """Change one place of the good request; '-' at the end of a path adds to a list."""
    request = copy.deepcopy(GOOD)
    *way, last = path.strip("/").split("/")
    here: Any = request
    for part in way:
        here = here[int(part)] if isinstance(here, list) else here[part]
    if isinstance(here, list) and last == "-":
        here.append(value)
    else:
        here[int(last) if isinstance(here, list) else last] = value
    return request


def product(of: Any = "SiO2", **members: Any) -> dict[str, Any]:
    """Give one more reading, of the product by night."""
    reading = {"stream": "product", "period": "night", "of": of, "value": 40, "sd": 1} | members
    return {k: v for k, v in reading.items() if v is not None}


def grains(*counts: tuple[str, Any]) -> dict[str, Any]:
    """Give a grain count."""
    listed = [{"of": of, "count": count} for of, count in counts]
    return product(None, value=None, sd=None, counts={"basis": "number", "grains": listed})


NODE, STREAM = "/flowsheet/nodes", "/flowsheet/streams"
COMPONENT, ANALYTE = "/flowsheet/components", "/flowsheet/analytes"
NEW = "/readings/6"

CASES = [
    # what is wrong, where it is put, what is put there, where it is told, its code
    ("unknown thing altered", f"{NODE}/1/alters", ["colour"], f"{NODE}/1/alters/0",
     "unknown-quantity"),
    ("stock that is no truth value", f"{NODE}/0/stock", "yes", f"{NODE}/0/stock",
     "not-a-truth-value"),
    ("unknown kind of stream", f"{STREAM}/4/kind", "leak", f"{STREAM}/4/kind", "unknown-word"),
    ("unknown cargo", f"{STREAM}/1/carries", "oil", f"{STREAM}/1/carries", "unknown-word"),
    ("a loss that stays", f"{STREAM}/2/kind", "loss", f"{STREAM}/2/kind", "kind-does-not-fit"),
    ("a gain that leaves", f"{STREAM}/2/kind", "gain", f"{STREAM}/2/kind", "kind-does-not-fit"),
    ("water not followed", "/flowsheet/water", False, f"{STREAM}/1/carries", "water-not-followed"),
    ("moisture without water", "/flowsheet/water", False, "/readings/4/of", "water-not-followed"),
    ("a component named like a word", f"{COMPONENT}/-", "moisture", f"{COMPONENT}/2",
     "reserved-name"),
    ("an analyte named like a component", f"{ANALYTE}/-", "quartz", f"{ANALYTE}/2",
     "duplicate-analyte"),
    ("an analyte twice", f"{ANALYTE}/-", "TiO2", f"{ANALYTE}/2", "duplicate-analyte"),
    ("an analyte in no mineral", f"{ANALYTE}/-", "Cr2O3", f"{ANALYTE}/2",
     "analyte-in-no-mineral"),
    ("a formula that is none", f"{COMPONENT}/0/formula", "(Fe,Mg)TiO3", f"{COMPONENT}/0/formula",
     "unreadable-formula"),
    ("an analyte's formula that is none", f"{ANALYTE}/0", {"name": "titania", "formula": "Xx"},
     f"{ANALYTE}/0/formula", "unreadable-formula"),
    ("an analyte of two elements", f"{ANALYTE}/-", {"name": "both", "formula": "FeTi2O5"},
     f"{COMPONENT}/0/formula", "unclear-analyte"),
    ("content of an unknown analyte", f"{COMPONENT}/1/contents",
     [{"analyte": "Cr2O3", "value": 1}], f"{COMPONENT}/1/contents/0/analyte", "unknown-analyte"),
    ("a content twice", f"{COMPONENT}/1/contents",
     [{"analyte": "SiO2", "value": 99}, {"analyte": "SiO2", "value": 98}],
     f"{COMPONENT}/1/contents/1/analyte", "duplicate-content"),
    ("density without unit", f"{COMPONENT}/0/density", {"value": 4.7},
     f"{COMPONENT}/0/density/unit", "missing-field"),
    ("density in a wrong unit", f"{COMPONENT}/0/density", {"value": 4.7, "unit": "t"},
     f"{COMPONENT}/0/density/unit", "unknown-unit"),
    ("a density of no matter", f"{COMPONENT}/0/density", {"value": 4700, "unit": "g/cm3"},
     f"{COMPONENT}/0/density", "density-out-of-range"),
    ("no apertures", "/flowsheet/sizes/apertures", [], "/flowsheet/sizes/apertures",
     "no-apertures"),
    ("an aperture twice", "/flowsheet/sizes/apertures", [125, 63, 125],
     "/flowsheet/sizes/apertures", "duplicate-aperture"),
    ("a negative aperture", "/flowsheet/sizes/apertures", [-63],
     "/flowsheet/sizes/apertures/0", "number-out-of-range"),
    ("a mesh number", "/flowsheet/sizes/unit", "mesh", "/flowsheet/sizes/unit", "unknown-unit"),
    ("an unknown component by size", "/flowsheet/sizes/components", ["gold"],
     "/flowsheet/sizes/components/0", "unknown-component"),
    ("a closure of an unknown component", "/flowsheet/closures/0/components", ["gold"],
     "/flowsheet/closures/0/components/0", "unknown-component"),
    ("a closure in an unknown stream", "/flowsheet/closures/0/streams", ["pipe"],
     "/flowsheet/closures/0/streams/0", "unknown-stream"),
    ("a closure of nothing", "/flowsheet/closures/0/components", [],
     "/flowsheet/closures/0/components", "closure-of-nothing"),
    ("an exact closure to less", "/flowsheet/closures/0/total", 98,
     "/flowsheet/closures/0/total", "total-without-sd"),
    ("an order of an unknown stream", "/flowsheet/orders/0/stream", "pipe",
     "/flowsheet/orders/0/stream", "unknown-stream"),
    ("an order of one stream", "/flowsheet/orders/0/at_least_as_rich_as", "product",
     "/flowsheet/orders/0/at_least_as_rich_as", "order-of-one-stream"),
    ("a stock with a rate", "/flowsheet/mass_unit", "t/h", "/flowsheet/mass_unit",
     "stock-with-rate"),
    ("a period twice", "/periods/1", "day", "/periods/1", "duplicate-period"),
    ("a period named like a time", "/periods/1", "opening", "/periods/1", "reserved-name"),
    ("no period named", "/readings/-", product(period=None), f"{NEW}/period",
     "missing-period"),
    ("an unknown period", "/readings/-", product(period="noon"), f"{NEW}/period",
     "unknown-period"),
    ("an unknown stock", "/readings/0/stock", "mill", "/readings/0/stock", "unknown-stock"),
    ("an unknown time", "/readings/0/at", "noon", "/readings/0/at", "unknown-time"),
    ("a stock without a time", "/readings/0/at", None, "/readings/0/at", "missing-field"),
    ("a stock and a stream", "/readings/0/stream", "ore", "/readings/0/stream",
     "stock-and-stream"),
    ("a stream at a time", "/readings/1/at", "opening", "/readings/1/at", "at-without-stock"),
    ("one stream twice in a sum", "/readings/-", product(stream=["product", "product"]), NEW,
     "stream-named-twice"),
    ("nothing read", "/readings/-", product({"basis": "dry"}), f"{NEW}/of", "missing-field"),
    ("an unknown size", "/readings/3/of/size", {"passing": 100}, "/readings/3/of/size/passing",
     "unknown-aperture"),
    ("an unclear size", "/readings/3/of/size", {"passing": 125, "retained": 63},
     "/readings/3/of/size", "unclear-size"),
    ("a size the wrong way round", "/readings/3/of/size", {"from": 125, "to": 63},
     "/readings/3/of/size", "empty-size"),
    ("sizes not followed", "/flowsheet/sizes", None, "/readings/3/of/size", "sizes-not-followed"),
    ("a component not followed by size", "/readings/3/of",
     {"quantity": "quartz", "size": {"passing": 63}}, "/readings/3/of", "quantity-not-followed"),
    ("moisture of a size", "/readings/3/of", {"quantity": "moisture", "size": {"passing": 63}},
     "/readings/3/of/size", "size-does-not-fit"),
    ("a mass as received", "/readings/1/of", {"quantity": "mass", "basis": "as received"},
     "/readings/1/of/basis", "basis-does-not-fit"),
    ("pulp density without solids", "/readings/-", product("pulp density", unit="kg/m3"), NEW,
     "missing-solid-density"),
    ("pulp density without unit", "/readings/-",
     product("pulp density", solid_density={"value": 2.7, "unit": "g/cm3"}), f"{NEW}/unit",
     "missing-unit"),
    ("pulp density in %", "/readings/-",
     product("pulp density", unit="%", solid_density={"value": 2.7, "unit": "g/cm3"}),
     f"{NEW}/unit", "unit-does-not-fit"),
    ("a pulp density of zero", "/readings/-",
     product("pulp density", value=0, unit="kg/m3",
             solid_density={"value": 2.7, "sd": 0.1, "unit": "g/cm3"}), NEW,
     "density-not-above-zero"),
    ("moisture in kg", "/readings/4/unit", "kg", "/readings/4/unit", "unit-does-not-fit"),
    ("two results", "/readings/-", product(below=1), NEW, "several-results"),
    ("no result", "/readings/-", product(value=None), f"{NEW}/value", "missing-field"),
    ("below zero", "/readings/-", product(value=None, below=0), f"{NEW}/below", "below-zero"),
    ("a word without a limit", "/readings/-", product(value=None, sd=None, result="trace"),
     f"{NEW}/result", "missing-detection-limit"),
    ("an unknown word", "/readings/-", product(value=None, result="some"), f"{NEW}/result",
     "unknown-word"),
    ("no replicates", "/readings/-", product(value=None, replicates=[]), f"{NEW}/replicates",
     "unusable-error-input"),
    ("one replicate alone", "/readings/-", product(value=None, sd=None, replicates=[40]),
     f"{NEW}/replicates", "unusable-error-input"),
    ("text among replicates", "/readings/-", product(value=None, replicates=[40, "41"]),
     f"{NEW}/replicates/1", "not-a-number"),
    ("an unknown error model", "/readings/5/error_model", "AAS", "/readings/5/error_model",
     "unknown-error-model"),
    ("an error model in a wrong unit", "/error_models/0/unit", "kg/m3", "/readings/5/error_model",
     "unit-does-not-fit"),
    ("an error model without unit", "/error_models/0/unit", None, "/error_models/0",
     "missing-unit"),
    ("an error model stated and learnt", "/error_models/0/duplicates", [[1, 2], [3, 4], [5, 6]],
     "/error_models/0", "unclear-error-model"),
    ("two error models of one name", "/error_models/-",
     {"name": "XRF", "relative_sd": 0.1}, "/error_models/1/name", "duplicate-name"),
    ("too few duplicates", "/error_models/0",
     {"name": "XRF", "duplicates": [[1, 2]], "unit": "%"}, "/error_models/0/duplicates",
     "unusable-error-input"),
    ("an unknown cause", "/readings/1/causes", ["someone"], "/readings/1/causes/0",
     "unknown-cause"),
    ("a cause in a wrong unit", "/readings/1/causes", ["batch"], "/readings/1/causes/0",
     "unit-does-not-fit"),
    ("a cause without size", "/causes/0/relative_sd", None, "/causes/0", "cause-without-size"),
    ("a cause without unit", "/causes/1/unit", None, "/causes/1", "missing-unit"),
    ("a control of an unknown cause", "/controls/0/cause", "nothing", "/controls/0/cause",
     "unknown-cause"),
    ("a control without result", "/controls/0/value", None, "/controls/0", "missing-field"),
    ("a blank of a relative cause", "/controls/0",
     GOOD["controls"][0] | {"cause": "weigher", "certified": 0}, "/controls/0/cause",
     "control-of-nothing"),
    ("sampling of a mass", "/readings/1/sampling", SAMPLING, "/readings/1/sampling",
     "sampling-without-assay"),
    ("a sample heavier than its lot", "/readings/-",
     product(sampling=SAMPLING | {"lot_mass": 100}), f"{NEW}/sampling", "unusable-error-input"),
    ("a sample in kg per hour", "/readings/-",
     product(sampling=SAMPLING | {"mass_unit": "kg/h"}), f"{NEW}/sampling/mass_unit",
     "unit-does-not-fit"),
    ("interlaboratory of a mass", "/readings/1/interlaboratory", True,
     "/readings/1/interlaboratory", "interlaboratory-without-assay"),
    ("interlaboratory of nothing", "/readings/-",
     product(value=0, sd=None, interlaboratory=True), f"{NEW}/interlaboratory",
     "unusable-error-input"),
    ("a survey of a moisture", "/readings/0",
     {"stock": "bin", "at": "opening", "of": "moisture",
      "survey": {"volume": {"value": 1, "sd": 1, "unit": "m3"},
                 "bulk_density": {"value": 1, "sd": 1, "unit": "t/m3"}}},
     "/readings/0/survey", "survey-of-no-mass"),
    ("a survey without errors", "/readings/0",
     {"stock": "bin", "at": "opening",
      "survey": {"volume": {"value": 1, "unit": "m3"},
                 "bulk_density": {"value": 1, "sd": 1, "unit": "t/m3"}}},
     "/readings/0/survey/volume", "reading-without-sd"),
    ("a count of one mineral", "/readings/-", grains(("quartz", 10)), f"{NEW}/counts/grains",
     "nothing-counted"),
    ("a count of nothing", "/readings/-", grains(("quartz", 0), ("ilmenite", 0)),
     f"{NEW}/counts/grains", "nothing-counted"),
    ("a count of an unknown mineral", "/readings/-", grains(("quartz", 1), ("gold", 1)),
     f"{NEW}/counts/grains/1/of", "unknown-component"),
    ("a mineral counted twice", "/readings/-", grains(("quartz", 1), ("quartz", 1)),
     f"{NEW}/counts/grains/1/of", "duplicate-component"),
    ("half a grain", "/readings/-", grains(("quartz", 1.5), ("ilmenite", 1)),
     f"{NEW}/counts/grains/0/count", "not-a-whole-number"),
    ("a negative count", "/readings/-", grains(("quartz", -1), ("ilmenite", 1)),
     f"{NEW}/counts/grains/0/count", "number-out-of-range"),
    ("a count of something", "/readings/-", grains(("quartz", 1), ("ilmenite", 1)) | {"of": "mass"},
     f"{NEW}/of", "count-of-something"),
    ("an unknown loss", "/options", {"robust": "tukey"}, "/options/robust", "unknown-word"),
    ("the same reading twice", "/readings/-", GOOD["readings"][1], NEW, "repeated-reading"),
]  # fmt: skip


def test_the_good_request_is_good() -> None:
    """What the cases start from has a balance."""
    reply = post(GOOD)

    assert 200 == reply.status_code, reply.text


@pytest.mark.parametrize(
    ("path", "value", "pointer", "code"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_each_fault_has_its_place_its_code_and_advice(
    path: str, value: Any, pointer: str, code: str
) -> None:
    """One thing wrong gives 422 and names it, with what is wrong and how to mend it."""
    reply = post(changed(path, value))

    assert 422 == reply.status_code, reply.text
    assert code == faults(reply).get(pointer), reply.text
    for fault in reply.json()["faults"]:
        assert fault["detail"].endswith(".")
        assert fault["mend"].endswith(".")


def test_a_difference_has_no_grade() -> None:
    """An unaccounted difference may be negative, so no assay can be read of it."""
    request = changed("/flowsheet/streams/4/kind", "unaccounted")
    request["readings"].append(product(stream="dust"))

    assert {NEW: "ratio-of-a-difference"} == faults(post(request))


def test_a_water_pipe_has_no_assay() -> None:
    """A stream that carries water alone has nothing to assay."""
    request = copy.deepcopy(GOOD)
    request["readings"].append(product(stream="wash"))

    assert {NEW: "stream-without-it"} == faults(post(request))


def test_a_missing_density_is_told_at_the_grain() -> None:
    """Grains of a mineral without density cannot become masses."""
    request = copy.deepcopy(GOOD)
    del request["flowsheet"]["components"][1]["density"]
    request["readings"].append(grains(("ilmenite", 10), ("quartz", 5)))

    assert {f"{NEW}/counts/grains/1/of": "missing-density"} == faults(post(request))


def test_slips_in_several_matters_come_back_together() -> None:
    """One slip each in water, sizes, minerals, periods and errors: five faults, no more."""
    request = copy.deepcopy(GOOD)
    request["flowsheet"]["streams"][1]["carries"] = "brine"
    request["readings"][3]["of"]["size"]["passing"] = 64
    request["flowsheet"]["components"][0]["formula"] = "FeTiO3?"
    request["readings"][1]["period"] = "noon"
    request["readings"][5]["error_model"] = "AAS"

    assert {
        "/flowsheet/streams/1/carries": "unknown-word",
        "/flowsheet/components/0/formula": "unreadable-formula",
        "/readings/1/period": "unknown-period",
        "/readings/3/of/size/passing": "unknown-aperture",
        "/readings/5/error_model": "unknown-error-model",
    } == faults(post(request))


def test_an_unreadable_list_brings_no_faults_that_only_follow_from_it() -> None:
    """Where the sizes cannot be read, nothing is said about readings of sizes, and so on."""
    request = copy.deepcopy(GOOD)
    request["flowsheet"]["sizes"] = 63
    request["periods"] = "day"
    request["error_models"] = {}

    assert {
        "/flowsheet/sizes": "not-an-object",
        "/periods": "not-a-list",
        "/error_models": "not-a-list",
    } == faults(post(request))
