"""Order relations that the caller vouches for: held exactly, silent where they hold anyway."""

from __future__ import annotations

from dataclasses import replace

import cvxpy as cp
import numpy as np
import pytest
import scipy.optimize as so
from numpy.typing import NDArray

from reconcile import InvalidInput, Order, Outcome, Reading, reconcile_balance
from reconcile.balance import ActiveBound, Balance
from tests.flowsheets import rougher_cleaner, rougher_cleaner_truth, separator

Array = NDArray[np.float64]

PLAIN = separator(("ilmenite",))
RICHER = replace(PLAIN, orders=(Order("ilmenite", "concentrate", "feed"),))
"""A magnetic product is at least as rich in its mineral as its feed."""

NAMES = ("feed", "concentrate", "tailing")
SDS = (0.02, 0.03, 0.02)


def fixed_masses() -> list[Reading]:
    """Fix the masses, which makes the grades a linear problem."""
    return [Reading("feed", "mass", 100.0, 0.0), Reading("concentrate", "mass", 40.0, 0.0)]


def grades(*values: float) -> list[Reading]:
    """Read the three grades."""
    return [Reading(s, "ilmenite", v, sd) for s, v, sd in zip(NAMES, values, SDS, strict=True)]


def grade(balance: Balance, stream: str, component: str = "ilmenite") -> float:
    """Give a reconciled grade that must be known."""
    found = balance.assays[stream, component].value
    assert found is not None
    return found


def _programme(values: tuple[float, ...]) -> tuple[Array, float]:
    """Solve the convex programme with the order: two grades free, masses 40 and 60 of 100."""
    x = cp.Variable(2)
    rows = np.array([[0.4, 0.6], [1.0, 0.0], [0.0, 1.0]])
    weight = 1 / np.array(SDS)
    programme = cp.Problem(
        cp.Minimize(cp.sum_squares(cp.multiply(weight, rows @ x - np.array(values)))),
        [x[0] >= rows[0] @ x, x >= 0, x <= 1],
    )
    programme.solve(solver=cp.CLARABEL, tol_gap_abs=1e-13, tol_gap_rel=1e-13, tol_feas=1e-13)
    return rows @ x.value, float(programme.value)


@pytest.mark.parametrize("values", [(0.55, 0.50, 0.57), (0.50, 0.30, 0.40), (0.9, 0.1, 0.8)])
def test_a_broken_order_holds_by_equality(values: tuple[float, ...]) -> None:
    """
    Concentrate poorer than its feed by its readings: both end equal, as cvxpy has it.

    Closed form here: equal grades make all three one number, the weighted mean.
    """
    weight = 1 / np.square(SDS)
    mean = weight @ np.array(values) / weight.sum()
    expected, objective = _programme(values)

    balance = reconcile_balance(RICHER, [*fixed_masses(), *grades(*values)])

    found = [grade(balance, s) for s in NAMES]
    assert pytest.approx([mean] * 3, rel=1e-7) == found
    assert pytest.approx(expected, rel=1e-6) == found
    assert found[1] >= found[0] * (1 - 1e-8)
    assert balance.test is not None
    assert pytest.approx(objective, rel=1e-6) == balance.test.statistic


def test_an_order_that_holds_the_estimate_is_an_active_bound() -> None:
    """It is named with its stream, and the test says that it is qualified by it."""
    balance = reconcile_balance(RICHER, [*fixed_masses(), *grades(0.55, 0.50, 0.57)])

    assert Outcome.CLOSED_WITH_ACTIVE_BOUNDS is balance.outcome
    assert (ActiveBound("concentrate", "ilmenite", "order"),) == balance.active_bounds
    assert balance.test is not None
    assert "1 bound is active" in balance.test.reference
    assert 1 == balance.test.degrees_of_freedom
    assert all(abs(c.relative) < 1e-9 for c in balance.closure)


@pytest.mark.parametrize("values", [(0.50, 0.62, 0.43), (0.50, 0.51, 0.50)])
def test_an_order_that_holds_anyway_has_no_effect(values: tuple[float, ...]) -> None:
    """Nothing changes, no digit of values or errors beyond rounding, and no bound is named."""
    readings = [*fixed_masses(), *grades(*values)]

    without, ordered = reconcile_balance(PLAIN, readings), reconcile_balance(RICHER, readings)

    assert Outcome.CLOSED is ordered.outcome
    assert () == ordered.active_bounds
    for key, assay in without.assays.items():
        other = ordered.assays[key]
        assert pytest.approx((assay.value, assay.sd), rel=1e-10) == (other.value, other.sd)
    assert without.test == ordered.test


def _slsqp(readings: list[Reading]) -> tuple[Array, float]:
    """Minimise the separator with free masses under the order; product amounts, objective."""
    read, sd = np.array([[r.value, r.sd] for r in readings]).T
    sign = {"feed": (1, 1), "concentrate": (1, 0), "tailing": (0, 1)}

    def amounts(p: Array, stream: str) -> Array:
        return np.asarray(sign[stream] @ p.reshape(2, 2))

    def objective(p: Array) -> float:
        total = 0.0
        for r, y, s in zip(readings, read, sd, strict=True):
            solids, part = amounts(p, str(r.stream))
            total += float(((solids if r.of == "mass" else part / solids) - y) ** 2) / s**2
        return total

    def order(p: Array) -> float:
        c, f = amounts(p, "concentrate"), amounts(p, "feed")
        return float(c[1] / c[0] - f[1] / f[0])

    answer = so.minimize(
        objective,
        [40.0, 22.0, 60.0, 30.0],
        method="SLSQP",
        constraints=[{"type": "ineq", "fun": order}],
        options={"ftol": 1e-15, "maxiter": 500},
    )
    return answer.x, float(answer.fun)


@pytest.mark.parametrize("seed", range(6))
def test_orders_with_free_masses_are_those_of_a_general_optimiser(seed: int) -> None:
    """
    Masses and grades all read, the true grades nearly equal: some draws break the order.

    Where it is broken the equality holds to 1e-8; the optimum is SLSQP's either way.
    """
    rng = np.random.default_rng(seed)
    readings = [
        Reading(s, "mass", m * (1 + 0.01 * rng.normal()), 0.01 * m)
        for s, m in zip(NAMES, (100.0, 40.0, 60.0), strict=True)
    ]
    readings += [
        Reading(s, "ilmenite", 0.5 + sd * rng.normal(), sd)
        for s, sd in zip(NAMES, SDS, strict=True)
    ]
    x, objective = _slsqp(readings)

    balance = reconcile_balance(RICHER, readings)

    assert balance.test is not None
    assert balance.test.statistic <= objective * (1 + 1e-8) + 1e-10
    assert pytest.approx(objective, rel=1e-5, abs=1e-8) == balance.test.statistic
    richer, than = grade(balance, "concentrate"), grade(balance, "feed")
    assert richer >= than * (1 - 1e-8)
    expected = [x[1] / x[0], (x[1] + x[3]) / (x[0] + x[2])]
    assert pytest.approx(expected, rel=1e-4) == [richer, than]
    free = reconcile_balance(PLAIN, readings)
    broken = grade(free, "concentrate") < grade(free, "feed")
    assert broken == bool(balance.active_bounds)
    if broken:
        assert pytest.approx(than, rel=1e-8) == richer


def test_the_draws_above_break_the_order_and_keep_it() -> None:
    """Both branches of the walk over seeds are met."""
    found = set()
    for seed in range(6):
        rng = np.random.default_rng(seed)
        rng.normal(size=3)
        feed, concentrate, _ = 0.5 + np.array(SDS) * rng.normal(size=3)
        found.add(bool(concentrate < feed))

    assert {True, False} == found


def test_orders_hold_across_a_recycle_and_only_the_broken_one_is_named() -> None:
    """
    Two stages with recycle, two orders: rougher concentrate over fresh feed is broken by its assay.

    The cleaner's order holds by far.  Both hold in the answer, every node closes.
    """
    truth = np.column_stack(
        [
            rougher_cleaner_truth(np.array(f), np.array(r), np.array(c))
            for f, r, c in ((80.0, 0.45, 0.3), (20.0, 0.55, 0.7))
        ]
    )
    sheet = replace(
        rougher_cleaner(("ilmenite",)),
        orders=(
            Order("ilmenite", "rougher concentrate", "rougher feed"),
            Order("ilmenite", "concentrate", "rougher concentrate"),
        ),
    )
    solids = truth.sum(axis=1)
    true_grades = truth[:, 1] / solids
    readings = []
    for i, stream in enumerate(sheet.streams):
        readings.append(Reading(stream.name, "mass", solids[i], 0.01 * solids[i]))
        read = 0.6 * true_grades[i] if stream.name == "rougher concentrate" else true_grades[i]
        readings.append(Reading(stream.name, "ilmenite", read, 0.02 * true_grades[i]))
    # Precise but wrong: this assay is trusted a hundredfold.
    readings = [
        replace(r, sd=r.sd / 100) if r.stream == "rougher concentrate" and r.of == "ilmenite" else r
        for r in readings
    ]

    balance = reconcile_balance(sheet, readings)

    assert Outcome.CLOSED_WITH_ACTIVE_BOUNDS is balance.outcome
    held = [b for b in balance.active_bounds if b.bound == "order"]
    assert [ActiveBound("rougher concentrate", "ilmenite", "order")] == held
    rougher, feed = grade(balance, "rougher concentrate"), grade(balance, "rougher feed")
    assert pytest.approx(feed, rel=1e-8) == rougher
    assert grade(balance, "concentrate") > rougher
    assert all(abs(c.relative) < 1e-9 for c in balance.closure)


@pytest.mark.parametrize(
    ("order", "code"),
    [
        (Order("gold", "concentrate", "feed"), "unknown-component"),
        (Order("ilmenite", "nowhere", "feed"), "unknown-stream"),
    ],
)
def test_an_order_names_what_there_is(order: Order, code: str) -> None:
    """An unknown component or stream is refused."""
    with pytest.raises(InvalidInput) as refused:
        reconcile_balance(replace(PLAIN, orders=(order,)), grades(0.5, 0.6, 0.4))

    assert [code] == [f.code for f in refused.value.faults]
