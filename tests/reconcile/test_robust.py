"""Robust fits: Huber's loss and the bisquare, their weights, and a second optimum."""

from __future__ import annotations

import itertools

import cvxpy as cp
import numpy as np
import pytest
import scipy.linalg as sl
import scipy.optimize as so
from numpy.typing import NDArray
from statsmodels.robust.norms import HuberT, RobustNorm, TukeyBiweight

from reconcile import Flowsheet, Options, Reading, Robust, Stream, reconcile_balance
from reconcile.balance import Balance
from tests.flowsheets import bypass_network, separator

Array = NDArray[np.float64]

BIASED = np.array([101.91, 68.45, 34.65, 64.20, 36.44, 98.88])
"""Readings of Narasimhan & Jordache (2000), chapter 1, with +4 on stream 2; from memory."""

INCIDENCE = np.array(
    [
        [1, -1, -1, 0, 0, 0],
        [0, 1, 0, -1, 0, 0],
        [0, 0, 1, 0, -1, 0],
        [0, 0, 0, 1, 1, -1],
    ]
)
BASIS = sl.null_space(INCIDENCE)
"""Flows that close at the four nodes of their network."""

HUBER, BISQUARE = HuberT(t=1.345), TukeyBiweight(c=4.685)
"""The losses of another library, at the usual limits of 95 % efficiency."""

LOSSES: dict[Robust, RobustNorm] = {Robust.HUBER: HUBER, Robust.BISQUARE: BISQUARE}


def network(y: Array, robust: Robust) -> Balance:
    """Reconcile six flows with sd 1."""
    readings = [Reading(str(i + 1), "mass", float(v), 1.0) for i, v in enumerate(y)]
    return reconcile_balance(bypass_network(), readings, Options(robust=robust))


def flows(balance: Balance) -> Array:
    """Give the six reconciled flows."""
    return np.array([m.value for m in balance.masses.values()])


def statistic(balance: Balance) -> float:
    """Give the objective."""
    assert balance.test is not None
    return balance.test.statistic


def cost(norm: RobustNorm, residuals: Array) -> float:
    """Give twice the loss of another library, zero where nothing is adjusted."""
    return float(2 * np.sum(norm.rho(residuals) - norm.rho(np.zeros(1))))


def descended(norm: RobustNorm, y: Array, z: Array) -> tuple[Array, float]:
    """Go down from coordinates ``z`` by reweighted least squares, to the flows and the cost."""
    for _ in range(1000):
        root = np.sqrt(norm.weights(BASIS @ z - y))
        after = np.linalg.lstsq(BASIS * root[:, None], y * root, rcond=None)[0]
        moved = float(np.abs(after - z).max())
        z = after
        if moved < 1e-12:
            break
    return BASIS @ z, cost(norm, BASIS @ z - y)


def optima(y: Array) -> list[tuple[Array, float]]:
    """Give the bisquare's optima met from least squares without any one, two or three readings."""
    found: list[tuple[Array, float]] = []
    for count in range(4):
        for left_out in itertools.combinations(range(6), count):
            kept = [i for i in range(6) if i not in left_out]
            if np.linalg.matrix_rank(BASIS[kept]) < BASIS.shape[1]:
                continue
            x, value = descended(BISQUARE, y, np.linalg.lstsq(BASIS[kept], y[kept], rcond=None)[0])
            if all(abs(value - other) > 1e-6 for _, other in found):
                found.append((x, value))
    return sorted(found, key=lambda pair: pair[1])


# --- Huber ----------------------------------------------------------------------------------


def test_hubers_fit_of_the_biased_network_is_the_convex_optimum() -> None:
    """Cvxpy minimises the sum of its own Huber functions on the same network."""
    x = cp.Variable(6)
    programme = cp.Problem(
        cp.Minimize(cp.sum(cp.huber(x - BIASED, 1.345))), [INCIDENCE @ x == 0, x >= 0]
    )
    programme.solve(solver=cp.CLARABEL, tol_gap_abs=1e-12, tol_gap_rel=1e-12, tol_feas=1e-12)

    balance = network(BIASED, Robust.HUBER)

    np.testing.assert_allclose(flows(balance), x.value, rtol=1e-6)
    assert pytest.approx(float(programme.value), rel=1e-8) == statistic(balance)


@pytest.mark.parametrize("seed", range(8))
def test_hubers_fit_is_the_one_optimum(seed: int) -> None:
    """Reweighted least squares with another library's weights ends at the same flows and cost."""
    rng = np.random.default_rng(seed)
    y = np.array([100.0, 64, 36, 64, 36, 100]) + rng.normal(size=6)
    y[rng.choice(6, 2, replace=False)] += rng.uniform(-9, 9, 2)
    x, expected = descended(HUBER, y, BASIS.T @ y)

    balance = network(y, Robust.HUBER)

    np.testing.assert_allclose(flows(balance), x, rtol=1e-7)
    assert pytest.approx(expected, rel=1e-8) == statistic(balance)
    assert balance.alternative is None


def _separator_residuals(p: Array, values: Array, sds: Array) -> Array:
    c, t = p.reshape(2, 3)
    amounts = np.array([c + t, c, t])
    h = [amounts[:, 0], *(amounts[:, q] / amounts[:, 0] for q in (1, 2))]
    return np.asarray((np.concatenate(h) - values) / sds)


def test_hubers_fit_holds_with_assays_too() -> None:
    """A separator with one wild assay: scipy's Huber loss on the same residuals, nonlinear."""
    values = np.array([100.0, 31.0, 70.5, *(0.21, 0.55, 0.06), *(0.092, 0.060, 0.118)])
    sds = np.array([1.0, 0.5, 0.8, *(0.003, 0.006, 0.002), *(0.002, 0.001, 0.002)])
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-13, "x_scale": "jac", "jac": "3-point"}
    answer = so.least_squares(
        _separator_residuals,
        [31.0, 17.0, 1.9, 70.0, 4.2, 8.0],
        loss="huber",
        f_scale=1.345,
        args=(values, sds),
        **options,
    )
    names = ("feed", "concentrate", "tailing")
    readings = [
        Reading(names[i % 3], ("mass", "Sn", "WO3")[i // 3], float(values[i]), float(sds[i]))
        for i in range(9)
    ]

    balance = reconcile_balance(separator(("Sn", "WO3")), readings, Options(robust=Robust.HUBER))

    assert pytest.approx(2 * answer.cost, rel=1e-7) == statistic(balance)
    found = [
        balance.masses[s].value if q == "mass" else balance.component_masses[s, q].value
        for s in names[1:]
        for q in ("mass", "Sn", "WO3")
    ]
    np.testing.assert_allclose(np.array(found, dtype=float), answer.x, rtol=1e-5)


# --- the bisquare ---------------------------------------------------------------------------


def _line(count: int) -> Flowsheet:
    """Give one flow through a line of nodes, so that all its readings are of one mass."""
    nodes = [f"node {i}" for i in range(count - 1)]
    ends = zip([None, *nodes], [*nodes, None], strict=True)
    return Flowsheet(tuple(nodes), tuple(Stream(f"s{i}", *e) for i, e in enumerate(ends)))


@pytest.mark.parametrize("robust", list(LOSSES))
def test_readings_of_one_flow_give_its_location_of_known_scale(robust: Robust) -> None:
    """
    Nine readings of one mass, two of them wild: scipy's minimum of another library's loss.

    One unknown, so the minimum is bracketed and certain.
    """
    values = np.array([99.1, 100.4, 100.9, 98.7, 100.2, 101.3, 99.8, 108.0, 92.5])
    answer = so.minimize_scalar(
        lambda m: cost(LOSSES[robust], m - values), bounds=(98, 102), options={"xatol": 1e-11}
    )
    readings = [Reading(f"s{i}", "mass", v, 1.0) for i, v in enumerate(values)]

    balance = reconcile_balance(_line(9), readings, Options(robust=robust))

    assert pytest.approx(answer.x, rel=1e-8) == balance.masses["s0"].value
    assert pytest.approx(answer.fun, rel=1e-8) == statistic(balance)


def test_the_bisquare_drops_the_planted_error_of_the_network() -> None:
    """
    The best of all optima of another library's loss, from starts without up to three readings.

    Stream 2 counts little, and the fit comes near the printed one without the error.
    """
    x, expected = optima(BIASED)[0]

    balance = network(BIASED, Robust.BISQUARE)

    np.testing.assert_allclose(flows(balance), x, rtol=1e-7)
    assert pytest.approx(expected, rel=1e-8) == statistic(balance)
    printed = [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
    plain = flows(network(BIASED, Robust.NONE))
    assert np.abs(flows(balance) - printed).max() < 0.5 * np.abs(plain - printed).max()


@pytest.mark.parametrize("seed", range(20))
def test_one_gross_error_leads_to_the_best_optimum(seed: int) -> None:
    """One reading off by 5 to 12 sd: no start without up to three readings finds a better one."""
    rng = np.random.default_rng(seed)
    y = np.array([100.0, 64, 36, 64, 36, 100]) + rng.normal(size=6)
    y[rng.integers(6)] += rng.uniform(5, 12) * rng.choice([-1, 1])
    x, expected = optima(y)[0]

    balance = network(y, Robust.BISQUARE)

    assert pytest.approx(expected, rel=1e-7) == statistic(balance)
    np.testing.assert_allclose(flows(balance), x, rtol=1e-6)


# --- weights, test, a second optimum --------------------------------------------------------


@pytest.mark.parametrize("robust", list(LOSSES))
def test_weights_are_those_of_the_loss(robust: Robust) -> None:
    """Weights are another library's at the adjustments; the planted error's is the least."""
    balance = network(BIASED, robust)

    adjusted = flows(balance) - BIASED
    weights = [read.weight for read in balance.readings]
    np.testing.assert_allclose(weights, LOSSES[robust].weights(adjusted), atol=1e-8)
    assert 1 == int(np.argmin(weights))
    assert weights[1] < 0.5


@pytest.mark.parametrize("robust", list(LOSSES))
def test_a_robust_fit_has_no_p_value(robust: Robust) -> None:
    """Its objective follows no known distribution, and the reply says so."""
    test = network(BIASED, robust).test

    assert test is not None
    assert test.p_value is None
    assert "no reference distribution" in test.reference
    assert 4 == test.degrees_of_freedom


@pytest.mark.parametrize("robust", list(LOSSES))
def test_readings_that_fit_are_fitted_by_least_squares(robust: Robust) -> None:
    """Huber's loss is the square within 1.345 sd; the bisquare is near it for small misfits."""
    y = np.array([100.3, 64.2, 35.9, 63.8, 36.1, 99.8])

    plain, balance = network(y, Robust.NONE), network(y, robust)

    if robust is Robust.HUBER:
        np.testing.assert_allclose(flows(balance), flows(plain), rtol=1e-10)
        assert pytest.approx(statistic(plain), rel=1e-9) == statistic(balance)
    np.testing.assert_allclose(flows(balance), flows(plain), atol=0.01)


BIMODAL = np.array([99.0, 63.6, 28.8, 64.2, 36.9, 92.5])
"""Invented: two readings in conflict with the rest, in two ways that explain it nearly as well."""


def test_a_second_optimum_is_reported_with_what_it_discounts() -> None:
    """
    The bisquare's two best explanations of conflicting readings, both found by another road.

    The given one is the lower; the other comes with its objective and its discounted readings.
    """
    found = optima(BIMODAL)

    balance = network(BIMODAL, Robust.BISQUARE)

    assert pytest.approx(found[0][1], rel=1e-7) == statistic(balance)
    other = balance.alternative
    assert other is not None
    x, _ = next(p for p in found[1:] if abs(p[1] - other.objective) < 1e-6 * p[1])
    assert other.objective > statistic(balance)
    discounted = np.flatnonzero(BISQUARE.weights(x - BIMODAL) < 0.5)
    assert tuple(discounted.tolist()) == other.discounted


def test_two_equal_camps_are_two_optima():
    """Between two readings that contradict each other the bisquare has a maximum."""
    balance = reconcile_balance(
        _line(2),
        [Reading("s0", "mass", 100.0, 1.0), Reading("s1", "mass", 110.0, 1.0)],
        Options(robust=Robust.BISQUARE),
    )

    assert balance.masses["s0"].value in (pytest.approx(100.0), pytest.approx(110.0))
    assert balance.alternative is not None


@pytest.mark.parametrize("seed", [0, 24, 76, 190, 240])
def test_with_two_gross_errors_the_best_optimum_is_given(seed: int):
    """Least squares without the suspects, one by one and in pairs, leads to it."""
    rng = np.random.default_rng(seed)
    y = np.array([100, 64, 36, 64, 36, 100.0]) + rng.normal(size=6)
    k = rng.choice(6, 2, replace=False)
    y[k] += rng.uniform(4, 9, 2) * rng.choice([-1, 1], 2)

    assert statistic(network(y, Robust.BISQUARE)) == pytest.approx(optima(y)[0][1], rel=1e-6)
