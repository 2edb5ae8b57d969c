"""The compiled road leads where the general one does, and where it used to lose its way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from reconcile import Flowsheet, Stream
from reconcile.descent import Case, case_of, starting_set
from reconcile.kernel import lanes
from reconcile.kernel.budget import Budget, spending
from reconcile.kernel.compiled import compiled
from reconcile.kernel.lane_readings import Layout
from reconcile.kernel.lane_system import Bounds, open_bounds
from reconcile.kernel.limits import BOUND_TOLERANCE, PLAIN_STEPS
from reconcile.kernel.losses import Loss
from reconcile.measurands import measurand
from reconcile.model import Key
from reconcile.options import Options
from reconcile.plan import plan
from reconcile.solve import further_starts, solve
from tests.benchmarks.flowsheets import Array, Family, Survey, survey


@contextmanager
def _case(chosen: Survey, values: Array) -> Iterator[Case]:
    readings = chosen.readings(values)
    keys = [Key(r.streams, measurand(chosen.flowsheet, r.of), r.causes) for r in readings]
    budget = Budget(60.0, 1000.0)
    with spending(budget), np.errstate(all="ignore"):
        made = plan(chosen.flowsheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))
        yield case_of(made, values, chosen.sd, Options(), budget)


def _draw(chosen: Survey, seed: int, draw: int) -> Array:
    rng = np.random.default_rng(seed)
    return [chosen.draw(rng) for _ in range(draw + 1)][draw]


def _holds(case: Case, x: Array) -> bool:
    """Say whether every bound between unknowns holds, as each is judged on the way."""
    within = case.plan.model.within
    return bool((within @ x >= -BOUND_TOLERANCE * (abs(within) @ case.first.scale)).all())


@pytest.mark.parametrize(("seed", "draw"), [(6, 1), (6, 3), (2, 6), (2, 9)])
def test_a_lane_comes_to_the_same_optimum_as_the_general_road(seed: int, draw: int):
    """Where exchanges of bounds do not settle (6), and where small flows meet large ones (2)."""
    chosen = survey(Family.DENSE, 30, 10, seed)
    with _case(chosen, _draw(chosen, seed, draw)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.cost == pytest.approx(general.cost, rel=1e-8)


@pytest.mark.parametrize("seed", [0, 3])
def test_a_start_without_four_readings_in_ten_leads_there_too(seed: int):
    """
    Passes that leave more of their system unmet than steps may (0), or do not settle (3), count.

    In the second a walk lets two bounds go in turns, and meets each again on the spot.
    """
    chosen = survey(Family.LINES, 200, 5, seed, missing=0.4)
    with _case(chosen, _draw(chosen, seed, 0)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.cost == pytest.approx(general.cost, rel=1e-8)


def test_bounds_of_an_emptying_stream_are_not_taken_to_follow_from_larger_ones():
    """They leave a billionth of what those do; one was left broken, and there was no optimum."""
    chosen = survey(Family.LINES, 200, 5, 4, missing=0.4)
    with _case(chosen, _draw(chosen, 4, 0)) as case:
        swift, _ = case.swift(case.first.point, starting_set(case), passes=True)
        held = swift is not None and _holds(case, swift.x)

    assert swift is not None
    assert swift.emptied.any()
    assert held


@pytest.mark.parametrize("draw", [2, 5])
def test_a_stream_whose_assays_do_not_fit_takes_no_more_steps_than_others(draw: int):
    """Sixteen and nineteen, without the curvature that residuals take away."""
    chosen = survey(Family.DENSE, 30, 10, 6)
    with _case(chosen, _draw(chosen, 6, draw)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.optimum.iterations <= PLAIN_STEPS + 1
    assert swift.cost == pytest.approx(general.cost, rel=1e-9)


def test_a_stream_that_empties_falls_away_in_a_few_steps():
    """Seventeen, with rows made for where it is and not for where it goes."""
    chosen = survey(Family.DENSE, 30, 10, 6)
    with _case(chosen, _draw(chosen, 6, 0)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.emptied.any()
    assert swift.optimum.iterations <= PLAIN_STEPS + 2
    assert swift.cost <= general.cost * (1 + 1e-9)


@compiled
def _dropped(at: Layout, low: Array, bounds: Bounds) -> None:
    lanes._drop_what_follows(at, low, bounds, 0)


def test_a_part_held_at_nothing_is_not_held_below_its_whole_as_well():
    """Which of the two pulls would be a matter of order, and the wrong one was let go."""
    chosen = survey(Family.DENSE, 8, 3, 1)
    with _case(chosen, _draw(chosen, 1, 0)) as case:
        at, within = case.plan.layout, case.plan.model.within.toarray()
    assert at is not None
    part, other = np.flatnonzero(within[0] < 0)[0], np.flatnonzero(within[1] < 0)[0]
    whole = np.flatnonzero(within[0] > 0)[0]
    bounds = open_bounds(at)
    bounds.within[:2] = True
    bounds.lower[part] = True

    signed = np.zeros((within.shape[1], 1))
    signed[whole] = -np.inf
    _dropped(at, signed, bounds)
    assert bounds.within[:2, 0].tolist() == [True, True]

    _dropped(at, np.zeros_like(signed), bounds)
    assert other != part
    assert bounds.within[:2, 0].tolist() == [False, True]


def test_a_step_that_mends_an_imbalance_of_rounding_may_go_up():
    """Beside a stream of next to nothing; cut to a millionth, it went nowhere."""
    chosen = survey(Family.DENSE, 15, 4, 0, missing=0.4)
    with _case(chosen, _draw(chosen, 0, 1)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.cost == pytest.approx(general.cost, rel=1e-7)


def test_a_descent_to_an_optimum_met_before_is_given_up_on_the_way():
    """Nothing comes of it beside the other, and all of it without."""
    chosen = survey(Family.DENSE, 30, 10, 6)
    with _case(chosen, _draw(chosen, 6, 2)) as case:
        empty = starting_set(case)
        met: list[Array] = []
        first, _ = case.swift(case.first.point, empty, passes=True, met=met)
        at, passes = next((at, passes) for at, passes in further_starts(case, first) if passes)
        again, _ = case.swift(at, empty, passes=passes, met=met)
        alone, _ = case.swift(at, empty, passes=passes)

    assert first is not None
    assert alone is not None
    assert alone.cost == pytest.approx(first.cost, rel=1e-9)
    assert again is None
    assert len(met) == 1
    np.testing.assert_array_equal(met[0], first.x)


@pytest.mark.parametrize("seed", [4, 24, 28, 48, 59, 65])
def test_half_the_readings_are_enough_for_the_compiled_road(seed: int):
    """What nothing determines was let go one by one as bounds asked, and went round in circles."""
    chosen = survey(Family.DENSE, 30, 10, seed, missing=0.5)
    with _case(chosen, _draw(chosen, seed, 0)) as case:
        empty = starting_set(case)
        swift, _ = case.swift(case.first.point, empty, passes=True)
        general = case.descend(case.passes(case.first.point, empty), empty)

    assert swift is not None
    assert swift.cost <= general.cost * (1 + 1e-8)
    assert case.plan.open_pins.any()


@pytest.mark.parametrize(("seed", "draw"), [(6, 0), (6, 3), (2, 0), (9, 7)])
def test_where_flows_are_settled_no_other_start_leads_to_anything_better(seed: int, draw: int):
    """A bound is at work; no second opinion is asked for, and here are those that are not."""
    chosen = survey(Family.DENSE, 30, 10, seed)
    with _case(chosen, _draw(chosen, seed, draw)) as case:
        found = solve(case.plan, case.values, case.sds, Options(), case.budget)
        first, _ = case.attempt(case.first.point, starting_set(case), passes=True)
        others = [
            case.attempt(at, starting_set(case), passes=passes)[0]
            for at, passes in further_starts(case, first)
        ]

    assert case.plan.settles_flows
    assert found.emptied.any() or found.optimum.binding.lower.any()
    costs = [other.cost for other in others if other is not None]
    assert costs
    assert found.cost <= min(costs) * (1 + 1e-8)


def test_a_descent_that_ran_out_of_steps_is_not_the_last_word():
    """The general road ends it in a few, in a place that another start shows to be a poor one."""
    chosen = survey(Family.DENSE, 12, 4, 5052, missing=0.5)
    with _case(chosen, _draw(chosen, 5052, 0)) as case:
        at, empty = case.first.point, starting_set(case)
        found = solve(case.plan, case.values, case.sds, Options(), case.budget)
        costs = [
            one.cost
            for start, passes in [(at, True), *further_starts(case)]
            if (one := case.attempt(start, empty, passes=passes)[0]) is not None
        ]

    assert min(costs) < 0.01 * max(costs)
    assert found.cost == pytest.approx(min(costs), rel=1e-8)


def _sheet(*ends: tuple[str | None, str | None]) -> Flowsheet:
    nodes = sorted({node for pair in ends for node in pair if node})
    streams = tuple(Stream(f"s{i}", *pair) for i, pair in enumerate(ends))
    return Flowsheet(tuple(nodes), streams, ())


@pytest.mark.parametrize(
    ("weighed", "left"),
    [((0, 2, 3), 0), ((0, 1, 2, 3), 0), ((2, 3), 1), ((0, 1, 2), 0), ((0, 1), 1), ((2,), 2)],
)
def test_as_many_flows_are_open_as_streams_that_were_not_weighed_form_rings(
    weighed: tuple[int, ...], left: int
):
    """Two nodes in series: a feed, a product and a rest of each, and one stream back."""
    ends = ((None, "a"), ("a", None), ("a", "b"), ("b", "a"), ("b", None))
    sheet = _sheet(*ends)
    incidence = np.zeros((2, 5))
    for k, (source, target) in enumerate(ends):
        if source:
            incidence["ab".index(source), k] -= 1
        if target:
            incidence["ab".index(target), k] += 1
    rank = np.linalg.matrix_rank(np.vstack((incidence, np.eye(5)[list(weighed)])))

    keys = [Key((f"s{k}",), measurand(sheet, "mass"), ()) for k in weighed]
    with spending(Budget(60.0, 1000.0)):
        made = plan(sheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))
        assert made.open_flows == left
    assert 5 - rank == left
