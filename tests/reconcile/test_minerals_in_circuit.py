"""
Minerals as components: elements that several of them carry, uncertain contents, closure.

Contents are those of the idealised formulas, recomputed from IUPAC standard atomic weights, as
mass fractions; densities in t/m3 and all readings are invented.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize as so

from reconcile import (
    SOLIDS,
    Content,
    Flowsheet,
    Knowledge,
    Measurand,
    Outcome,
    Reading,
    Stream,
    Whole,
    reconcile_balance,
)
from reconcile.balance import Estimate, Known
from reconcile.measurands import share_by_volume
from tests.flowsheets import separator
from tests.propagation import delta_sd

ILMENITE = {"TiO2": 0.526435, "Fe": 0.368106, "Fe2O3": 0.368106 / 0.699431}
RUTILE = {"TiO2": 1.0}
HEMATITE = {"Fe": 0.699431}
MONAZITE = {"Ce2O3": 0.698105, "P2O5": 0.301895}
XENOTIME = {"Y2O3": 0.614026, "P2O5": 0.385974}


def exactly(**minerals: Mapping[str, float]) -> dict[str, dict[str, Content]]:
    """Give exact contents by mineral and analyte."""
    return {m: {a: Content(v) for a, v in table.items()} for m, table in minerals.items()}


def bin_of(
    contents: Mapping[str, Mapping[str, Content]], *others: str, closed: bool = False
) -> Flowsheet:
    """Give one node with a stream in and one out, its minerals, and others without contents."""
    components = (*contents, *others)
    return Flowsheet(
        ("bin",),
        (Stream("in", None, "bin"), Stream("out", "bin", None)),
        components,
        contents=contents,
        wholes=(Whole(components),) if closed else (),
    )


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


# --- exact compositions ---------------------------------------------------------------------


def test_as_many_elements_as_minerals_are_a_linear_system() -> None:
    """
    Ilmenite from iron, rutile from the titania that is left, errors by the inverse matrix.

    ``m = C⁻¹ a`` and ``cov(m) = C⁻¹ V C⁻ᵀ``.
    """
    system = np.array([[ILMENITE["TiO2"], 1.0], [ILMENITE["Fe"], 0.0]])
    read, sds = np.array([0.60, 0.30]), np.array([0.003, 0.002])
    inverse = np.linalg.inv(system)
    ilmenite = {k: ILMENITE[k] for k in ("TiO2", "Fe")}

    balance = reconcile_balance(
        bin_of(exactly(ilmenite=ilmenite, rutile=RUTILE)),
        [Reading("in", "TiO2", read[0], sds[0]), Reading("in", "Fe", read[1], sds[1])],
    )

    found = [known(balance.assays["out", m]) for m in ("ilmenite", "rutile")]
    assert pytest.approx(inverse @ read, rel=1e-9) == [value for value, _ in found]
    expected = np.sqrt(np.diag(inverse @ np.diag(sds**2) @ inverse.T))
    assert pytest.approx(expected, rel=1e-7) == [sd for _, sd in found]
    assert pytest.approx((0.60, 0.003)) == known(balance.analytes["out", "TiO2"])


def test_an_element_in_two_minerals_is_shared_by_least_squares() -> None:
    """
    Ce2O3, Y2O3 and P2O5 of monazite and xenotime: one check, weighted least squares by hand.

    ``m = (Cᵀ W C)⁻¹ Cᵀ W a``, its covariance ``(Cᵀ W C)⁻¹``.
    """
    matrix = np.array([[0.698105, 0.0], [0.0, 0.614026], [0.301895, 0.385974]])
    read, sds = np.array([0.28, 0.12, 0.205]), np.array([0.004, 0.002, 0.003])
    weight = np.diag(1 / sds**2)
    covariance = np.linalg.inv(matrix.T @ weight @ matrix)
    expected = covariance @ matrix.T @ weight @ read
    residual = matrix @ expected - read

    balance = reconcile_balance(
        bin_of(exactly(monazite=MONAZITE, xenotime=XENOTIME)),
        [
            Reading("in", a, v, sd)
            for a, v, sd in zip(("Ce2O3", "Y2O3", "P2O5"), read, sds, strict=True)
        ],
    )

    found = [known(balance.assays["in", m]) for m in ("monazite", "xenotime")]
    assert pytest.approx(expected, rel=1e-9) == [value for value, _ in found]
    assert pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-7) == [sd for _, sd in found]
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
    assert pytest.approx(residual @ weight @ residual, rel=1e-8) == balance.test.statistic


def test_the_phosphate_of_two_minerals_checks_their_counts() -> None:
    """Minerals read for themselves and an element that both carry: the same closed form."""
    matrix = np.array([[1.0, 0.0], [0.0, 1.0], [0.301895, 0.385974]])
    read, sds = np.array([0.40, 0.20, 0.21]), np.array([0.02, 0.01, 0.002])
    weight = np.diag(1 / sds**2)
    expected = np.linalg.solve(matrix.T @ weight @ matrix, matrix.T @ weight @ read)

    balance = reconcile_balance(
        bin_of(exactly(monazite=MONAZITE, xenotime=XENOTIME)),
        [
            Reading("in", a, v, sd)
            for a, v, sd in zip(("monazite", "xenotime", "P2O5"), read, sds, strict=True)
        ],
    )

    found = [balance.assays["in", m].value for m in ("monazite", "xenotime")]
    assert pytest.approx(expected, rel=1e-9) == found
    assert Knowledge.REDUNDANT is balance.readings[2].knowledge
    assert pytest.approx(matrix[2] @ expected - 0.21, rel=1e-7) == balance.readings[2].adjustment


# --- uncertain contents ---------------------------------------------------------------------


def test_an_uncertain_content_widens_the_mineral() -> None:
    """One mineral, one assay: x = a / c with both errors (delta method); the content stays."""
    sheet = bin_of({"ilmenite": {"TiO2": Content(0.56, 0.02)}})

    balance = reconcile_balance(sheet, [Reading("in", "TiO2", 0.42, 0.004)])

    value, sd = known(balance.assays["out", "ilmenite"])
    assert pytest.approx(0.75) == value
    assert pytest.approx(delta_sd(lambda a, c: a / c, (0.42, 0.56), (0.004, 0.02)), rel=1e-6) == sd
    content = balance.contents["ilmenite", "TiO2"]
    assert pytest.approx((0.56, 0.02)) == known(content)
    assert Knowledge.NONREDUNDANT is content.knowledge


def test_a_stream_of_known_mineralogy_corrects_the_content() -> None:
    """
    The mineral fixed at 80 %: the content is the weighted mean of prior and a / 0.8.

    Precision adds: 1/0.02² + (0.8/0.004)².
    """
    sheet = bin_of({"ilmenite": {"TiO2": Content(0.56, 0.02)}})
    precision = 1 / 0.02**2, (0.8 / 0.004) ** 2
    expected = (0.56 * precision[0] + 0.43 / 0.8 * precision[1]) / sum(precision)

    balance = reconcile_balance(
        sheet, [Reading("in", "ilmenite", 0.8, 0.0), Reading("in", "TiO2", 0.43, 0.004)]
    )

    content = balance.contents["ilmenite", "TiO2"]
    assert pytest.approx((expected, sum(precision) ** -0.5), rel=1e-7) == known(content)
    assert pytest.approx(expected - 0.56, rel=1e-6) == content.adjustment
    assert Knowledge.REDUNDANT is content.knowledge
    assert balance.test is not None
    gap = (0.43 / 0.8 - 0.56) ** 2
    assert pytest.approx(gap / (1 / precision[0] + 1 / precision[1])) == balance.test.statistic


@pytest.mark.parametrize("count", [1, 4, 16])
def test_a_content_gets_surer_with_every_stream_that_tells(count: int) -> None:
    """
    One composition seen by separate lines of fixed mineralogy, precision ``1/s² + Σ (x/s_a)²``.

    The estimate is the weighted mean; lines that do not touch share the content.
    """
    lines = range(count)
    grades = np.linspace(0.2, 0.9, count)
    read = grades * 0.54 + 0.003 * np.cos(np.arange(count))
    sheet = Flowsheet(
        tuple(f"bin {i}" for i in lines),
        tuple(
            Stream(f"{name} {i}", *ends)
            for i in lines
            for name, ends in (("in", (None, f"bin {i}")), ("out", (f"bin {i}", None)))
        ),
        ("ilmenite",),
        contents={"ilmenite": {"TiO2": Content(0.56, 0.02)}},
    )
    readings = [Reading(f"in {i}", "ilmenite", grades[i], 0.0) for i in lines]
    readings += [Reading(f"in {i}", "TiO2", read[i], 0.004) for i in lines]
    precision = 1 / 0.02**2 + (grades @ grades) / 0.004**2
    expected = (0.56 / 0.02**2 + grades @ read / 0.004**2) / precision

    balance = reconcile_balance(sheet, readings)

    content = balance.contents["ilmenite", "TiO2"]
    assert pytest.approx((expected, precision**-0.5), rel=1e-7) == known(content)


def test_contents_and_grades_are_adjusted_together_over_a_flowsheet() -> None:
    """
    A general optimiser finds the same optimum: amounts of two minerals and two contents free.

    Three masses, six elemental readings, one count, two prior contents against eight unknowns.
    """
    contents = {
        "ilmenite": {"TiO2": Content(0.54, 0.010), "Fe": Content(0.34, 0.010)},
        "rutile": {"TiO2": Content(0.98)},
    }
    sheet = replace(separator(("ilmenite", "rutile")), contents=contents)
    names = ("concentrate", "tailing", "feed")
    rng = np.random.default_rng(17)
    solids = {"concentrate": 40.0, "tailing": 60.0, "feed": 100.0}
    minerals = {"concentrate": (34.0, 1.0), "tailing": (6.0, 8.0), "feed": (40.0, 9.0)}
    readings = [Reading(s, "mass", solids[s] * (1 + 0.01 * rng.normal()), 1.0) for s in names]
    for s in names:
        ilmenite, rutile = np.array(minerals[s]) / solids[s]
        titania, iron = 0.55 * ilmenite + 0.98 * rutile, 0.33 * ilmenite
        readings.append(Reading(s, "TiO2", titania * (1 + 0.01 * rng.normal()), 0.01 * titania))
        readings.append(Reading(s, "Fe", iron * (1 + 0.01 * rng.normal()), 0.01 * iron))
    readings.append(Reading("concentrate", "ilmenite", 0.86, 0.02))

    def residuals(p: np.ndarray) -> np.ndarray:
        by = {"concentrate": p[:3], "tailing": p[3:6], "feed": p[:3] + p[3:6]}
        titania, iron = p[6:]
        found = [by[s][0] for s in names]
        for s in names:
            m, i, r = by[s]
            found += [(titania * i + 0.98 * r) / m, iron * i / m]
        found.append(by["concentrate"][1] / by["concentrate"][0])
        misfit = [(f - r.value) / r.sd for f, r in zip(found, readings, strict=True)]
        return np.array([*misfit, (titania - 0.54) / 0.01, (iron - 0.34) / 0.01])

    first = [*(40.0, 34.0, 1.0), *(60.0, 6.0, 8.0), 0.54, 0.34]
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "x_scale": "jac", "jac": "3-point"}
    answer = so.least_squares(residuals, first, **options)
    errors = np.sqrt(np.diag(np.linalg.inv(answer.jac.T @ answer.jac)))

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED is balance.outcome
    assert balance.test is not None
    assert 4 == balance.test.degrees_of_freedom
    assert pytest.approx(2 * answer.cost, rel=1e-7) == balance.test.statistic
    found = [
        *(known(balance.masses["concentrate"]), *parts(balance, "concentrate")),
        *(known(balance.masses["tailing"]), *parts(balance, "tailing")),
        known(balance.contents["ilmenite", "TiO2"]),
        known(balance.contents["ilmenite", "Fe"]),
    ]
    assert pytest.approx(answer.x, rel=1e-5) == [value for value, _ in found]
    assert pytest.approx(errors, rel=1e-4) == [sd for _, sd in found]
    # Rutile takes up whatever ilmenite's titania leaves, so nothing tells of the latter.
    assert known(balance.contents["ilmenite", "Fe"])[1] < 0.0099
    assert pytest.approx(0.010) == balance.contents["ilmenite", "TiO2"].sd


def parts(balance, stream: str) -> list[tuple[float, float]]:
    """Give the masses of both minerals in a stream."""
    return [known(balance.component_masses[stream, m]) for m in ("ilmenite", "rutile")]


# --- totals and losses on ignition ----------------------------------------------------------


def test_an_oxide_total_of_105_per_cent_is_understood() -> None:
    """
    95 % ilmenite in quartz, its iron as Fe2O3: the oxides total 105 %, and nothing is moved.

    Total by hand: 0.95 · (52.6435 + 52.6294) + 5 = 105.01 %.
    """
    contents = exactly(ilmenite={k: ILMENITE[k] for k in ("TiO2", "Fe2O3")}, quartz={"SiO2": 1.0})
    total = Measurand(
        "oxide total",
        (),
        ((SOLIDS, 1.0),),
        tuple((m, m, a) for m, table in contents.items() for a in table),
    )
    expected = 0.95 * (ILMENITE["TiO2"] + ILMENITE["Fe2O3"]) + 0.05
    readings = [
        Reading("in", "TiO2", 0.95 * ILMENITE["TiO2"], 0.003),
        Reading("in", "Fe2O3", 0.95 * ILMENITE["Fe2O3"], 0.003),
        Reading("in", "SiO2", 0.05, 0.002),
        Reading("in", total, expected, 0.004),
    ]

    balance = reconcile_balance(bin_of(contents, closed=True), readings)

    assert pytest.approx(1.0501, abs=1e-4) == expected
    assert Outcome.CLOSED is balance.outcome
    assert balance.test is not None
    assert balance.test.statistic < 1e-12
    assert pytest.approx(0.95) == balance.assays["out", "ilmenite"].value
    assert pytest.approx(expected) == balance.readings[3].value


def test_an_analyte_may_exceed_100_per_cent() -> None:
    """Magnetite with its iron as Fe2O3: 72.3596 / 69.9431 = 103.5 % is read, not refused."""
    share = 0.723596 / 0.699431

    balance = reconcile_balance(
        bin_of(exactly(magnetite={"Fe2O3": share}), "gangue"),
        [Reading("in", "Fe2O3", 1.02, 0.005)],
    )

    assert pytest.approx(1.02 / share) == balance.assays["in", "magnetite"].value


def test_a_negative_loss_on_ignition_is_a_gain() -> None:
    """
    Ilmenite takes up oxygen on ignition, goethite gives off water: both from iron and loss.

    A 2 by 2 system by hand; ilmenite gains 5.273 % (half an O2 for two FeO), goethite loses
    10.139 % (one H2O for two FeOOH), formulas with IUPAC weights.
    """
    gain, loss = 0.25 * 31.998 / 151.710, 18.015 / (2 * 88.851)
    system = np.array([[ILMENITE["Fe"], 0.628524], [-gain, loss]])
    read = np.array([0.36, -0.038])
    sds = np.array([0.002, 0.001])
    inverse = np.linalg.inv(system)
    contents = exactly(
        ilmenite={"Fe": ILMENITE["Fe"], "loss on ignition": -gain},
        goethite={"Fe": 0.628524, "loss on ignition": loss},
    )

    balance = reconcile_balance(
        bin_of(contents),
        [
            Reading("in", "Fe", read[0], sds[0]),
            Reading("in", "loss on ignition", read[1], sds[1]),
        ],
    )

    assert Outcome.CLOSED is balance.outcome
    found = [known(balance.assays["in", m]) for m in ("ilmenite", "goethite")]
    assert pytest.approx(inverse @ read, rel=1e-9) == [value for value, _ in found]
    expected = np.sqrt(np.diag(inverse @ np.diag(sds**2) @ inverse.T))
    assert pytest.approx(expected, rel=1e-7) == [sd for _, sd in found]
    assert pytest.approx((-0.038, 0.001)) == known(balance.analytes["out", "loss on ignition"])


# --- closure to the whole -------------------------------------------------------------------


def _closed_reading(values: np.ndarray, sds: np.ndarray) -> np.ndarray:
    """Project readings onto the sum of one: ``y - v (Σy - 1) / Σv``."""
    v = sds**2
    return values - v * (values.sum() - 1) / v.sum()


def test_a_closed_set_of_assays_sums_to_100_per_cent() -> None:
    """
    Four assays that total 101.6 %: the excess is shared in proportion to the variances.

    Least squares with one linear condition, by hand; the statistic is the excess over its error.
    """
    names = ("zircon", "rutile", "ilmenite", "quartz")
    values, sds = np.array([0.40, 0.206, 0.35, 0.06]), np.array([0.01, 0.005, 0.01, 0.004])
    expected = _closed_reading(values, sds)
    sheet = replace(bin_of({}, *names), wholes=(Whole(names),))

    balance = reconcile_balance(
        sheet, [Reading("in", n, v, sd) for n, v, sd in zip(names, values, sds, strict=True)]
    )

    found = [known(balance.assays["in", n])[0] for n in names]
    assert pytest.approx(expected, rel=1e-9) == found
    assert pytest.approx(1.0, abs=1e-12) == math.fsum(found)
    assert balance.test is not None
    assert 1 == balance.test.degrees_of_freedom
    assert pytest.approx((values.sum() - 1) ** 2 / (sds**2).sum()) == balance.test.statistic
    variance = sds**2 - sds**4 / (sds**2).sum()
    assert pytest.approx(np.sqrt(variance)) == [balance.assays["in", n].sd for n in names]


def test_the_remainder_is_what_the_others_leave() -> None:
    """With a component that nobody reads, 100 % less the others, its error theirs in squares."""
    sheet = bin_of({}, "zircon", "rutile", "remainder", closed=True)

    balance = reconcile_balance(
        sheet, [Reading("in", "zircon", 0.61, 0.008), Reading("in", "rutile", 0.22, 0.006)]
    )

    value, sd = known(balance.assays["out", "remainder"])
    assert pytest.approx(0.17) == value
    assert pytest.approx(math.hypot(0.008, 0.006)) == sd
    assert balance.test is not None
    assert 0 == balance.test.degrees_of_freedom


@pytest.mark.parametrize("seed", range(4))
def test_every_closed_stream_sums_to_100_per_cent_to_rounding(seed: int) -> None:
    """Noisy readings of a separator, minerals and a remainder: each stream totals one."""
    names = ("ilmenite", "rutile", "remainder")
    sheet = replace(separator(names), wholes=(Whole(names),))
    rng = np.random.default_rng(seed)
    truth = {"feed": (0.4, 0.1, 0.5), "concentrate": (0.8, 0.1, 0.1), "tailing": (0.2, 0.1, 0.7)}
    readings = [
        Reading(s, n, v * (1 + 0.03 * rng.normal()), 0.03 * v)
        for s, values in truth.items()
        for n, v in zip(names, values, strict=True)
    ]
    readings.append(Reading("feed", "mass", 1000.0, 5.0))

    balance = reconcile_balance(sheet, readings)

    for s in truth:
        total = math.fsum(known(balance.assays[s, n])[0] for n in names)
        assert pytest.approx(1.0, abs=1e-11) == total
        masses = math.fsum(known(balance.component_masses[s, n])[0] for n in names)
        assert pytest.approx(balance.masses[s].value, rel=1e-11) == masses


def test_closure_may_hold_in_one_stream_alone() -> None:
    """
    A concentrate of two minerals, a feed with gangue beside them.

    The concentrate's excess of 2 % is shared equally; the feed totals what was read.
    """
    names = ("zircon", "rutile")
    sheet = replace(separator(names), wholes=(Whole(names, ("concentrate",)),))
    readings = [
        Reading("concentrate", "zircon", 0.71, 0.01),
        Reading("concentrate", "rutile", 0.31, 0.01),
        Reading("feed", "zircon", 0.10, 0.01),
        Reading("feed", "rutile", 0.06, 0.01),
    ]

    balance = reconcile_balance(sheet, readings)

    assert pytest.approx(0.70) == balance.assays["concentrate", "zircon"].value
    assert pytest.approx(0.30) == balance.assays["concentrate", "rutile"].value
    assert pytest.approx(0.10) == balance.assays["feed", "zircon"].value


# --- grain counts ---------------------------------------------------------------------------


def test_shares_of_grains_become_shares_of_mass_by_density() -> None:
    """30 of 100 grains ilmenite (4.7) and the rest quartz (2.65): 0.3·4.7/(0.3·4.7 + 0.7·2.65)."""
    density = {"ilmenite": 4.7, "quartz": 2.65}
    of = share_by_volume(("ilmenite",), ("ilmenite", "quartz"), density)

    def by_mass(share: float) -> float:
        heavy, light = share * 4.7, (1 - share) * 2.65
        return heavy / (heavy + light)

    balance = reconcile_balance(
        bin_of({}, "ilmenite", "quartz", closed=True), [Reading("in", of, 0.30, 0.0458)]
    )

    value, sd = known(balance.assays["out", "ilmenite"])
    assert pytest.approx(by_mass(0.30)) == value
    assert pytest.approx(delta_sd(by_mass, (0.30,), (0.0458,)), rel=1e-6) == sd


# --- what cannot be resolved ----------------------------------------------------------------


def test_minerals_that_look_alike_are_said_so_and_have_no_number() -> None:
    """Rutile and anatase are both TiO2: neither is known, a caution names both, zircon is known."""
    contents = exactly(rutile=RUTILE, anatase=RUTILE, zircon={"ZrO2": 0.672224})

    balance = reconcile_balance(
        bin_of(contents),
        [Reading("in", "TiO2", 0.30, 0.003), Reading("in", "ZrO2", 0.40, 0.003)],
    )

    for mineral in ("rutile", "anatase"):
        assert Knowledge.UNOBSERVABLE is balance.assays["in", mineral].knowledge
        assert balance.assays["in", mineral].value is None
    assert pytest.approx(0.40 / 0.672224) == balance.assays["in", "zircon"].value
    assert pytest.approx(0.30) == balance.analytes["out", "TiO2"].value
    said = [w for w in balance.warnings if "rutile" in w and "anatase" in w]
    assert 1 == len(said)
    assert "zircon" not in said[0]


def test_ilmenite_rutile_and_hematite_are_not_told_apart_by_titanium_and_iron() -> None:
    """Three minerals, two elements: none is known until one of them is counted, then all are."""
    ilmenite = {k: ILMENITE[k] for k in ("TiO2", "Fe")}
    sheet = bin_of(exactly(ilmenite=ilmenite, rutile=RUTILE, hematite=HEMATITE))
    readings = [Reading("in", "TiO2", 0.50, 0.003), Reading("in", "Fe", 0.33, 0.002)]

    blind = reconcile_balance(sheet, readings)
    seeing = reconcile_balance(sheet, [*readings, Reading("in", "rutile", 0.05, 0.01)])

    assert {None} == {a.value for a in blind.assays.values()}
    assert [w for w in blind.warnings if all(m in w for m in sheet.contents)]
    ilmenite_found = (0.50 - 0.05) / ILMENITE["TiO2"]
    assert pytest.approx(ilmenite_found) == seeing.assays["out", "ilmenite"].value
    left = (0.33 - ILMENITE["Fe"] * ilmenite_found) / HEMATITE["Fe"]
    assert pytest.approx(left) == seeing.assays["out", "hematite"].value
    assert not [w for w in seeing.warnings if "hematite" in w and "analytes read" in w]
