"""
Errors that readings share: a named cause against the full covariance matrix.

A cause of sizes ``l`` adds ``l lᵀ`` to the covariance of the readings.  The dense solution with
that matrix (generalised least squares: Aitken 1936) is the judge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
import scipy.linalg as sl
import scipy.optimize as so
from numpy.typing import NDArray

from reconcile import Flowsheet, InvalidInput, Measurand, Reading, Stream, reconcile_balance
from reconcile.balance import Balance, Estimate, Known
from reconcile.measurands import nothing
from tests.flowsheets import bypass_network, separator

Array = NDArray[np.float64]

BYPASS = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])
"""Readings of Narasimhan & Jordache (2000), chapter 1, quoted from memory."""

INCIDENCE = np.array(
    [
        [1, -1, -1, 0, 0, 0],
        [0, 1, 0, -1, 0, 0],
        [0, 0, 1, 0, -1, 0],
        [0, 0, 0, 1, 1, -1],
    ]
)
"""Splitter, exchanger, valve, mixer of their network."""

CAUSES = {
    "belt weigher": (0.8, 0.5, 0.0, 0.5, 0.0, 0.0),
    "gauge": (0.0, 0.0, 0.4, 0.0, -0.3, 0.9),
}
SDS = np.array([1.0, 0.7, 0.6, 0.9, 0.5, 1.2])


def known(found: Estimate | Known) -> tuple[float, float]:
    """Give value and sd of what must be known."""
    assert found.value is not None
    assert found.sd is not None
    return found.value, found.sd


@dataclass(frozen=True)
class Solved:
    """The dense solution of a linear network under a full covariance."""

    x: Array
    covariance: Array
    adjustment_covariance: Array
    objective: float


def generalised(y: Array, v: Array) -> Solved:
    """Project onto the balances: ``x = y - V Aᵀ (A V Aᵀ)⁻¹ A y``."""
    a = INCIDENCE
    gain = v @ a.T @ np.linalg.inv(a @ v @ a.T)
    r = a @ y
    moved = gain @ a @ v
    return Solved(y - gain @ r, v - moved, moved, float(r @ np.linalg.solve(a @ v @ a.T, r)))


def network_readings(y: Array = BYPASS) -> list[Reading]:
    """Read the six flows with both causes."""
    return [
        Reading(
            str(i + 1),
            "mass",
            float(y[i]),
            float(SDS[i]),
            tuple((name, sizes[i]) for name, sizes in CAUSES.items() if sizes[i]),
        )
        for i in range(6)
    ]


def full_covariance() -> Array:
    """Add the outer products of the causes to the variances."""
    loads = np.array(list(CAUSES.values()))
    return np.asarray(np.diag(SDS**2) + loads.T @ loads)


def dof(balance: Balance) -> int:
    """Give the degrees of freedom."""
    assert balance.test is not None
    return balance.test.degrees_of_freedom


# --- against the full matrix ----------------------------------------------------------------


def test_named_causes_are_the_full_covariance_matrix() -> None:
    """Values, errors and objective of the six-flow network equal those of the dense solution."""
    expected = generalised(BYPASS, full_covariance())

    balance = reconcile_balance(bypass_network(), network_readings())

    found = [known(balance.masses[str(i + 1)]) for i in range(6)]
    np.testing.assert_allclose([value for value, _ in found], expected.x, rtol=1e-10)
    np.testing.assert_allclose(
        [sd for _, sd in found], np.sqrt(np.diag(expected.covariance)), rtol=1e-8
    )
    assert balance.test is not None
    assert pytest.approx(expected.objective, rel=1e-9) == balance.test.statistic
    assert 4 == balance.test.degrees_of_freedom
    # The causes matter: the diagonal alone gives another answer.
    plain = generalised(BYPASS, np.diag(np.diag(full_covariance())))
    assert np.abs(plain.x - expected.x).max() > 0.05
    assert abs(plain.objective - expected.objective) > 0.5


def test_covariances_between_streams_are_those_of_the_full_matrix() -> None:
    """The error of a sum of two flows tells their covariance: ``cov = (v₁₂ - v₁ - v₂) / 2``."""
    expected = generalised(BYPASS, full_covariance()).covariance
    pairs = [(i, j) for i in range(6) for j in range(i)]
    asked = [Reading((str(i + 1), str(j + 1)), "mass", 0.0, math.inf) for i, j in pairs]

    balance = reconcile_balance(bypass_network(), [*network_readings(), *asked])

    alone = [known(balance.masses[str(i + 1)])[1] ** 2 for i in range(6)]
    for (i, j), read in zip(pairs, balance.readings[6:], strict=True):
        assert read.sd is not None
        covariance = (read.sd**2 - alone[i] - alone[j]) / 2
        assert pytest.approx(expected[i, j], rel=1e-7, abs=1e-9) == covariance


def test_adjustments_are_judged_by_their_whole_error() -> None:
    """Standardised: ``(x - y) / sqrt(V Aᵀ (A V Aᵀ)⁻¹ A V)ᵢᵢ`` of the full matrix."""
    expected = generalised(BYPASS, full_covariance())
    z = (expected.x - BYPASS) / np.sqrt(np.diag(expected.adjustment_covariance))

    balance = reconcile_balance(bypass_network(), network_readings())

    found = [balance.readings[i] for i in range(6)]
    np.testing.assert_allclose([r.adjustment for r in found], expected.x - BYPASS, rtol=1e-8)
    np.testing.assert_allclose([r.standardised for r in found], z, rtol=1e-7)
    total = np.sqrt(np.diag(full_covariance()))
    stated = [balance.masses[str(i + 1)].reading_sd for i in range(6)]
    np.testing.assert_allclose(stated, total, rtol=1e-12)


def test_the_estimate_of_a_cause_is_its_conditional_mean() -> None:
    """
    ``lᵀ V⁻¹ (y - x)`` with prior 0 ± 1, and the error that conditioning leaves.

    Dense normal equations of flows and causes together.
    """
    loads = np.array(list(CAUSES.values())).T
    basis = sl.null_space(INCIDENCE)
    design = np.vstack(
        [
            np.hstack([basis, loads]) / SDS[:, None],
            np.hstack([np.zeros((2, basis.shape[1])), np.eye(2)]),
        ]
    )
    covariance = np.linalg.inv(design.T @ design)
    values = covariance @ design.T @ np.concatenate([BYPASS / SDS, np.zeros(2)])
    solved = generalised(BYPASS, full_covariance())
    conditional = loads.T @ np.linalg.solve(full_covariance(), BYPASS - solved.x)
    np.testing.assert_allclose(values[-2:], conditional, rtol=1e-9)

    balance = reconcile_balance(bypass_network(), network_readings())

    assert list(CAUSES) == [cause.name for cause in balance.shared]
    found = [cause.value for cause in balance.shared]
    np.testing.assert_allclose(found, values[-2:], rtol=1e-8)
    errors = [cause.sd for cause in balance.shared]
    np.testing.assert_allclose(errors, np.sqrt(np.diag(covariance))[-2:], rtol=1e-8)


def test_the_objective_of_shared_errors_is_chi_square() -> None:
    """200 draws of the full covariance: mean 4 and variance 8 within 3 and 4 standard errors."""
    rng = np.random.default_rng(21)
    loads = np.array(list(CAUSES.values()))
    truth = np.array([100.0, 64, 36, 64, 36, 100])
    draws = 200
    found = []
    for _ in range(draws):
        y = truth + SDS * rng.normal(size=6) + rng.normal(size=2) @ loads
        test = reconcile_balance(bypass_network(), network_readings(y)).test
        assert test is not None
        found.append(test.statistic)

    assert abs(np.mean(found) - 4) < 3 * math.sqrt(8 / draws)
    # Fourth central moment of chi-square with k degrees: 12 k (k + 4).
    error = math.sqrt((12 * 4 * 8 - 64) / draws)
    assert abs(np.var(found) - 8) < 4 * error


def test_one_sample_assayed_for_two_components_shares_its_error() -> None:
    """
    A separator with a sampling error common to both assays of each stream: scipy on ``V⁻½``.

    Nonlinear, six assays and three masses; the whitened residuals by Cholesky's factor.
    """
    names = ("feed", "concentrate", "tailing")
    values = np.array([100.0, 31.0, 70.5, *(0.21, 0.55, 0.06), *(0.092, 0.035, 0.118)])
    own = np.array([1.0, 0.5, 0.8, *(0.003, 0.006, 0.002), *(0.002, 0.001, 0.002)])
    sampling = np.zeros((3, 9))
    for s in range(3):
        sampling[s, 3 + s], sampling[s, 6 + s] = 0.03 * values[3 + s], -0.04 * values[6 + s]
    root = np.linalg.cholesky(np.diag(own**2) + sampling.T @ sampling)

    def residuals(p: Array) -> Array:
        c, t = p[:3], p[3:]
        amounts = np.array([c + t, c, t])
        h = np.concatenate([amounts[:, 0], *(amounts[:, q] / amounts[:, 0] for q in (1, 2))])
        return np.asarray(sl.solve_triangular(root, h - values, lower=True))

    first = [31.0, 17.0, 1.0, 70.0, 4.2, 8.0]
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "x_scale": "jac", "jac": "3-point"}
    answer = so.least_squares(residuals, first, **options)
    errors = np.sqrt(np.diag(np.linalg.inv(answer.jac.T @ answer.jac)))
    readings = [
        Reading(
            names[i % 3],
            ("mass", "Sn", "WO3")[i // 3],
            float(values[i]),
            float(own[i]),
            ((f"sample of {names[i % 3]}", float(sampling[i % 3, i])),) if i > 2 else (),
        )
        for i in range(9)
    ]

    balance = reconcile_balance(separator(("Sn", "WO3")), readings)

    assert 3 == dof(balance)
    assert balance.test is not None
    assert pytest.approx(2 * answer.cost, rel=1e-7) == balance.test.statistic
    found = [
        known(balance.masses[s] if q == "mass" else balance.component_masses[s, q])
        for s in ("concentrate", "tailing")
        for q in ("mass", "Sn", "WO3")
    ]
    np.testing.assert_allclose([value for value, _ in found], answer.x, rtol=1e-6)
    np.testing.assert_allclose([sd for _, sd in found], errors, rtol=1e-5)


def test_a_cause_may_be_split_into_causes_that_add_in_squares() -> None:
    """Two causes with sizes 0.6 and 0.8 of the one act as the one: ``0.36 + 0.64 = 1``."""
    whole = network_readings()
    parts = [
        replace(
            r,
            causes=tuple(
                (f"{name}, part {share}", share * size)
                for name, size in r.causes
                for share in (0.6, 0.8)
            ),
        )
        for r in whole
    ]

    first = reconcile_balance(bypass_network(), whole)
    second = reconcile_balance(bypass_network(), parts)

    for name in first.masses:
        assert pytest.approx(known(first.masses[name]), rel=1e-9) == known(second.masses[name])
    assert dof(first) == dof(second)


# --- control samples ------------------------------------------------------------------------


def controlled(size: float, *controls: tuple[float, float]) -> Balance:
    """Read one assay, 31 % ± 0.3, of a biased batch with control samples (difference, sd)."""
    readings = [Reading("feed", "Sn", 0.31, 0.003, (("batch", size),))]
    readings += [
        Reading((), nothing(f"control {i}"), value, sd, (("batch", size),))
        for i, (value, sd) in enumerate(controls)
    ]
    return reconcile_balance(separator(("Sn",)), readings)


def test_a_control_sample_shifts_its_batch() -> None:
    """
    Bias 0 ± 0.5 %, control 0.4 ± 0.2 % too high: bias 0.4 · 0.25 / 0.29, its error by precision.

    The assay becomes reading less bias, errors in squares: normal prior and one reading.
    """
    prior, read = 0.005**2, 0.002**2
    bias = 0.004 * prior / (prior + read)
    left = prior * read / (prior + read)

    balance = controlled(0.005, (0.004, 0.002))

    assay = balance.assays["feed", "Sn"]
    expected = 0.31 - bias, math.sqrt(0.003**2 + left)
    assert pytest.approx(expected, rel=1e-9) == known(assay)
    assert pytest.approx(-bias) == assay.adjustment
    cause = balance.shared[0]
    assert pytest.approx((bias / 0.005, math.sqrt(left) / 0.005)) == (cause.value, cause.sd)


def test_a_bias_of_which_nothing_is_known_is_what_the_control_says() -> None:
    """A wide prior: the assay is reading less control, the error that of both."""
    balance = controlled(1.0, (0.004, 0.002))

    value, sd = known(balance.assays["feed", "Sn"])
    assert pytest.approx(0.306, abs=1e-7) == value
    assert pytest.approx(math.hypot(0.003, 0.002), rel=1e-4) == sd


def test_two_controls_check_each_other() -> None:
    """Precisions add, and the statistic is their difference over its error (beside the prior)."""
    size, sds, values = 0.005, np.array([0.002, 0.001]), np.array([0.004, 0.001])
    covariance = np.diag(sds**2) + size**2
    expected = values @ np.linalg.solve(covariance, values)

    balance = controlled(size, *zip(values, sds, strict=True))

    assert balance.test is not None
    assert pytest.approx(expected) == balance.test.statistic
    assert 2 == balance.test.degrees_of_freedom
    precision = 1 / size**2 + (1 / sds**2).sum()
    bias = (values / sds**2).sum() / precision
    assert pytest.approx((bias / size, precision**-0.5 / size)) == (
        balance.shared[0].value,
        balance.shared[0].sd,
    )


# --- a head sample shared by several tests --------------------------------------------------

TESTS = ("test A", "test B")


def two_tests() -> Flowsheet:
    """Give two separate separators."""
    return Flowsheet(
        TESTS,
        tuple(
            Stream(f"{name} {end}", *((None, name) if end == "feed" else (name, None)))
            for name in TESTS
            for end in ("feed", "product", "tailing")
        ),
        ("Sn",),
    )


SPLITTING, ANALYSIS = 0.002, 0.004
"""Errors of each test's split and of the one head assay, as mass fractions."""


def head_readings() -> list[Reading]:
    """One head assay, 30 %, stands for both feeds: each has its split's error, both the assay's."""
    feeds = [
        Reading(f"{name} feed", "Sn", 0.30, SPLITTING, (("head assay", ANALYSIS),))
        for name in TESTS
    ]
    masses = [
        Reading(f"{name} {end}", "mass", mass, 0.0)
        for name in TESTS
        for end, mass in (("feed", 1000.0), ("product", 300.0))
    ]
    return [*feeds, *masses]


def test_a_shared_head_assay_correlates_separate_tests() -> None:
    """
    The mean of both feeds has variance ``s_split²/2 + s_assay²``, its difference ``2 s_split²``.

    Equal fixed masses make the composite of both feeds their mean.
    """
    composite = Reading(tuple(f"{name} feed" for name in TESTS), "Sn", 0.0, math.inf)

    balance = reconcile_balance(two_tests(), [*head_readings(), composite])

    for name in TESTS:
        sd = known(balance.assays[f"{name} feed", "Sn"])[1]
        assert pytest.approx(math.hypot(SPLITTING, ANALYSIS)) == sd
    mean = balance.readings[-1].sd
    assert pytest.approx(math.sqrt(SPLITTING**2 / 2 + ANALYSIS**2)) == mean


def test_what_one_test_learns_of_the_head_tells_the_other() -> None:
    """
    Test A's products say 29.2 % exactly: test B's feed follows by the shared part alone.

    Conditional normal: ``0.30 + ρ (0.292 - 0.30)`` with ``ρ = s_a² / (s_a² + s_s²)``.
    """
    products = [
        Reading("test A product", "Sn", 0.80, 0.0),
        Reading("test A tailing", "Sn", (0.292 - 0.3 * 0.80) / 0.7, 0.0),
    ]
    total = SPLITTING**2 + ANALYSIS**2
    share = ANALYSIS**2 / total

    balance = reconcile_balance(two_tests(), [*head_readings(), *products])

    assert pytest.approx(0.292) == balance.assays["test A feed", "Sn"].value
    value, sd = known(balance.assays["test B feed", "Sn"])
    assert pytest.approx(0.30 - 0.008 * share) == value
    assert pytest.approx(math.sqrt(total * (1 - share**2))) == sd


def test_tests_that_share_nothing_tell_each_other_nothing() -> None:
    """Without the common cause test B's feed stays as read."""
    apart = [replace(r, causes=()) for r in head_readings()]
    products = [
        Reading("test A product", "Sn", 0.80, 0.01),
        Reading("test A tailing", "Sn", 0.07, 0.002),
    ]

    balance = reconcile_balance(two_tests(), [*apart, *products])

    assert pytest.approx((0.30, SPLITTING)) == known(balance.assays["test B feed", "Sn"])


# --- the guide's correlated example ---------------------------------------------------------


@pytest.mark.parametrize(("correlation", "error"), [(-0.355, 0.236), (0.0, 0.204)])
def test_correlated_readings_of_the_guide_give_its_error(correlation: float, error: float) -> None:
    """
    Impedance Z = V / I of JCGM 100:2008, H.2: 254.260 Ω with u = 0.236 Ω; quoted from memory.

    The current stands for the solids (mA), the voltage for a component (V), so that Z is an assay;
    one common cause of opposite signs makes their correlation of -0.355.  Ignoring it would give
    Z · hypot(u(V)/V, u(I)/I) = 0.204, by hand.
    """
    v, i = (4.9990, 0.003209), (19.6610, 0.009471)
    share = math.sqrt(abs(correlation))
    voltage = Measurand("voltage", (("V", 1.0),))
    own = math.sqrt(1 - share**2)
    causes = [(("setting", side * share * sd),) for side, (_, sd) in ((1, v), (-1, i))]
    none = ((), ())
    readings = [
        Reading("feed", of, value, own * sd, cause)
        for of, (value, sd), cause in zip(
            (voltage, "mass"), (v, i), causes if correlation else none, strict=True
        )
    ]

    balance = reconcile_balance(separator(("V",)), readings)

    value, sd = known(balance.assays["feed", "V"])
    assert pytest.approx(254.260, abs=1e-3) == 1000 * value
    assert pytest.approx(error, abs=1e-3) == 1000 * sd


# --- bad input ------------------------------------------------------------------------------


def test_a_fixed_value_cannot_have_a_shared_error() -> None:
    """A reading with sd 0 and a cause contradicts itself and is refused."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(separator(), [Reading("feed", "mass", 1.0, 0.0, (("scale", 0.1),))])

    assert ["fixed-but-uncertain"] == [f.code for f in refused.value.faults]


@pytest.mark.parametrize("size", [math.nan, math.inf])
def test_the_size_of_a_shared_error_is_a_number(size: float) -> None:
    """A size that is no finite number is refused."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(separator(), [Reading("feed", "mass", 1.0, 0.1, (("scale", size),))])

    assert ["bad-shared-error"] == [f.code for f in refused.value.faults]
