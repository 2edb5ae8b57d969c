"""
Sampling plans: forecasts held to readings taken, choices to exhaustive search, bounds to optima.

Closed forms: the mean of n readings, the two-product formula, Neyman's allocation (1934; Cochran
1977, 5.5, quoted from memory).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from reconcile import SOLIDS, Flowsheet, InvalidInput, Knowledge, Reading, Stream, reconcile_balance
from reconcile.evidence.sampling import (
    Detection,
    Kind,
    Method,
    Prospect,
    Question,
    Target,
    usual_prospects,
)
from reconcile.evidence.sampling.branching import proven
from reconcile.evidence.sampling.goals import SmallSds
from reconcile.evidence.sampling.outlook import Outlook
from reconcile.evidence.sampling.relaxation import relaxed, roots_of
from reconcile.evidence.sampling.search import Room, Searcher
from reconcile.measurands import assay, solids
from reconcile.sampling import sampling_plan
from reconcile.stack import reconcile_stack
from tests.flowsheets import random_circuit

SEPARATOR = Flowsheet(
    ("node",),
    (Stream("feed", None, "node"), Stream("rich", "node", None), Stream("poor", "node", None)),
    ("Sn",),
)
"""Two products of one feed."""

TRUTH = {"feed": (100.0, 0.10), "rich": (20.0, 0.42), "poor": (80.0, 0.02)}
"""Masses and grades that balance: 10 = 8.4 + 1.6."""


def two_product(sds: dict[str, float]) -> list[Reading]:
    """Read the grades exactly, each with its own sd."""
    return [Reading(s, "Sn", TRUTH[s][1], sd) for s, sd in sds.items()]


RECOVERY = Target(("rich",), "Sn", of_feed=True)


# --- closed forms ---------------------------------------------------------------------------


@pytest.mark.parametrize("times", [1, 3, 8])
def test_a_lone_reading_read_again_has_the_sd_of_a_mean(times: int) -> None:
    """Read n times more, a reading that nothing checks has the sd of the mean of n + 1."""
    again = Prospect(("feed",), solids(), reading=0, most=times)
    question = Question((again,), float(times), (Target(("feed",), SOLIDS),))

    plan = sampling_plan(SEPARATOR, [Reading("feed", SOLIDS, 100, 3)], question)

    assert times == len(plan.steps)
    assert 3.0 == pytest.approx(plan.promises[0].before)
    assert 3 / math.sqrt(times + 1) == pytest.approx(plan.promises[0].after, rel=1e-12)


def recovery_sd(sds: dict[str, float]) -> float:
    """Give the sd of ``R = c (f - t) / (f (c - t))`` by its partial derivatives."""
    f, c, t = (TRUTH[s][1] for s in ("feed", "rich", "poor"))
    slopes = {
        "feed": c * t / (f**2 * (c - t)),
        "rich": -t * (f - t) / (f * (c - t) ** 2),
        "poor": -c * (c - f) / (f * (c - t) ** 2),
    }
    return math.hypot(*(slopes[s] * sd for s, sd in sds.items()))


def test_an_improved_grade_has_the_two_product_formula() -> None:
    """Each grade at half its sd gives the recovery the sd of the two-product formula."""
    sds = {"feed": 0.002, "rich": 0.006, "poor": 0.0007}
    half = tuple(Prospect((s,), assay("Sn"), reading=i, narrowed=0.5) for i, s in enumerate(sds))

    plan = sampling_plan(SEPARATOR, two_product(sds), Question(half, 0.0, (RECOVERY,)))

    assert recovery_sd(sds) == pytest.approx(plan.promises[0].before, rel=1e-9)
    for worth in plan.worths:
        stream = half[worth.prospect].streams[0]
        better = sds | {stream: sds[stream] / 2}
        assert recovery_sd(better) == pytest.approx(worth.after[0], rel=1e-9)


def test_weighing_both_products_checks_the_two_product_formula() -> None:
    """
    With both products weighed there are two estimates of the yield, which combine by weight.

    The recovery with a known yield y is ``y c / (y c + (1 - y) t)``; the estimate of the yield and
    the grades follow by least squares over four unknowns, here by dense algebra.
    """
    sds = {"feed": 0.002, "rich": 0.006, "poor": 0.0007}
    weigh = tuple(Prospect((s,), solids(), relative_sd=0.01) for s in ("rich", "poor"))
    c, t, y = TRUTH["rich"][1], TRUTH["poor"][1], 0.2
    # Unknowns: log rich mass, log poor mass, c, t; a common factor of the masses changes nothing.
    f = y * c + (1 - y) * t
    of_yield = np.array([y * (1 - y), -y * (1 - y), 0, 0])
    rows = np.array(
        [
            (of_yield * (c - t) + np.array([0, 0, y, 1 - y])) / sds["feed"],
            np.array([0, 0, 1, 0]) / sds["rich"],
            np.array([0, 0, 0, 1]) / sds["poor"],
            np.array([1, 0, 0, 0]) / 0.01,
            np.array([0, 1, 0, 0]) / 0.01,
        ]
    )
    slope = of_yield * c * t / f**2 + np.array([0, 0, y * (1 - y) * t, -y * (1 - y) * c]) / f**2
    expected = math.sqrt(slope @ np.linalg.inv(rows.T @ rows) @ slope)

    plan = sampling_plan(SEPARATOR, two_product(sds), Question(weigh, 2.0, (RECOVERY,)))

    assert {0, 1} == {step.prospect for step in plan.steps}
    assert expected == pytest.approx(plan.promises[0].after, rel=1e-9)


def test_the_optimum_allocation_is_that_of_neyman() -> None:
    """
    Samples of a total over strata go in proportion to the sd of each over the root of its cost.

    Three feeds make up the product; n readings of feed i cost n c_i and have sd s_i / sqrt(n).
    """
    sds, costs, budget = (4.0, 2.0, 1.0), (1.0, 4.0, 1.0), 90.0
    streams = tuple(Stream(f"feed {i}", None, "mixer") for i in range(3))
    sheet = Flowsheet(("mixer",), (*streams, Stream("product", "mixer", None)))
    question = Question(
        tuple(
            Prospect((f"feed {i}",), solids(), sd=sd, cost=cost, most=90)
            for i, (sd, cost) in enumerate(zip(sds, costs, strict=True))
        ),
        budget,
        (Target(("product",), SOLIDS),),
        expectations=frozenset(range(3)),
    )
    design = [Reading(f"feed {i}", SOLIDS, 100, 1) for i in range(3)]
    shares = [sd / math.sqrt(cost) for sd, cost in zip(sds, costs, strict=True)]
    whole = sum(sd * math.sqrt(cost) for sd, cost in zip(sds, costs, strict=True))
    ideal = [budget * share / whole for share in shares]

    plan = sampling_plan(sheet, design, question)
    taken = [sum(step.prospect == i for step in plan.steps) for i in range(3)]

    assert [40.0, 10.0, 10.0] == pytest.approx(ideal)
    assert [40, 10, 10] == taken
    assert whole / math.sqrt(budget) == pytest.approx(plan.promises[0].after, rel=1e-9)
    assert plan.bound == pytest.approx(plan.after.index, rel=1e-5)


# --- the judge: take the readings and balance again --------------------------------------------


def circuit(seed: int) -> tuple[Flowsheet, list[Reading]]:
    """Draw a small circuit, some readings missing, read without error so that nothing moves."""
    drawn = random_circuit(seed, streams=7, components=2)
    exact = []
    for r in drawn.readings:
        i = drawn.flowsheet.stream_index[r.stream]
        truth = drawn.truth[i, 0]
        if r.of != SOLIDS:
            truth = drawn.truth[i, 1 + drawn.flowsheet.components.index(str(r.of))] / truth
        exact.append(replace(r, value=float(truth)))
    rng = np.random.default_rng(seed)
    kept = [r for r in exact if rng.random() < 0.7]
    return drawn.flowsheet, kept


def taken(
    readings: list[Reading], prospects: tuple[Prospect, ...], plan: object, chosen: list[int]
) -> list[Reading]:
    """Give the readings with some prospects taken, as one reading a quantity."""
    worths = {w.prospect: w for w in plan.worths}  # type: ignore[attr-defined]
    result = list(readings)
    for k in chosen:
        prospect = prospects[k]
        if prospect.kind is Kind.ADDITION:
            word = SOLIDS if prospect.of.is_amount else prospect.of.name
            result.append(Reading(prospect.streams[0], word, worths[k].expected, worths[k].sd))
        else:
            i = prospect.reading
            extra = 1.0 if prospect.kind is Kind.REPEAT else 3.0
            information = 1 / result[i].sd ** 2 + extra / readings[i].sd ** 2
            result[i] = replace(result[i], sd=1 / math.sqrt(information))
    return result


@pytest.mark.parametrize("seed", [1, 2, 3, 5, 8])
def test_forecasts_are_what_a_balance_with_the_readings_says(seed: int) -> None:
    """Every sd forecast, for one reading or a plan, is that of the balance once they are taken."""
    sheet, readings = circuit(seed)
    prospects = usual_prospects(sheet, readings)
    product = sheet.products[0].name
    targets = tuple(Target((product,), c, of_feed=True) for c in sheet.components)

    plan = sampling_plan(sheet, readings, Question(prospects, 3.0, targets))

    cases = [(w.after, [w.prospect]) for w in plan.worths if w.sure]
    chosen = [s.prospect for s in plan.steps]
    if all(w.sure for w in plan.worths if w.prospect in chosen):
        cases.append((tuple(p.after for p in plan.promises), chosen))
    for forecast, further in cases:
        balance = reconcile_balance(sheet, taken(readings, prospects, plan, further))
        for sd, component in zip(forecast, sheet.components, strict=True):
            known = balance.recoveries[product, component]
            if sd is None:
                assert Knowledge.UNOBSERVABLE is known.knowledge
            else:
                assert known.sd == pytest.approx(sd, rel=1e-6)


def test_the_present_sds_are_those_of_the_balance() -> None:
    """Before anything more is read the targets have the sds of the balance itself."""
    sheet, readings = circuit(4)
    targets = tuple(
        Target((s.name,), of) for s in sheet.streams for of in (SOLIDS, *sheet.components)
    )

    plan = sampling_plan(sheet, readings, Question(usual_prospects(sheet, readings), 0.0, targets))
    balance = reconcile_balance(sheet, readings)

    for target, promise in zip(targets, plan.promises, strict=True):
        (stream,) = target.streams
        found = (
            balance.masses[stream]
            if target.of == SOLIDS
            else balance.assays[stream, str(target.of)]
        )
        if found.knowledge is Knowledge.UNOBSERVABLE:
            assert promise.before is None
            assert not promise.sure
        else:
            assert found.sd == pytest.approx(promise.before, rel=1e-7)
            assert found.value == pytest.approx(promise.value, rel=1e-9)


def test_what_is_unknown_becomes_known() -> None:
    """A target that nothing determines has no sd before, and that of the formula after."""
    sds = {"feed": 0.002, "rich": 0.006}
    poor = Prospect(("poor",), assay("Sn"), sd=0.0007)
    mass = Prospect(("rich",), solids(), relative_sd=0.01)
    readings = [*two_product(sds), Reading("feed", SOLIDS, 100, 1.0)]

    plan = sampling_plan(SEPARATOR, readings, Question((poor, mass), 1.0, (RECOVERY,)))

    assert plan.promises[0].before is None
    assert not plan.promises[0].sure
    assert 1 == plan.before.unknown
    assert 0 == plan.after.unknown
    assert 1 == len(plan.steps)
    assert all(1 == worth.opens and worth.gain is None for worth in plan.worths)


def test_what_no_prospect_reaches_is_said() -> None:
    """A target that all prospects together leave unknown is out of reach and has no sd."""
    readings = [Reading("feed", "Sn", 0.1, 0.002)]
    question = Question((Prospect(("feed",), solids(), sd=1.0),), 1.0, (RECOVERY,))

    plan = sampling_plan(SEPARATOR, readings, question)

    assert not plan.promises[0].within_reach
    assert plan.promises[0].after is None
    assert () == plan.steps


def test_two_readings_are_taken_where_neither_helps_alone() -> None:
    """A mass that is the sum of two unread ones becomes known by both, not by one."""
    readings = [Reading("feed", "Sn", 0.1, 0.002)]
    both = (Prospect(("rich",), solids(), sd=0.1), Prospect(("poor",), solids(), sd=0.2))

    plan = sampling_plan(SEPARATOR, readings, Question(both, 2.0, (Target(("feed",), SOLIDS),)))

    assert all(worth.after == (None,) for worth in plan.worths)
    assert math.hypot(0.1, 0.2) == pytest.approx(plan.promises[0].after, rel=1e-9)


def test_readings_that_share_a_cause_are_forecast_with_it() -> None:
    """Two readings by one weigher leave its error whole: sd of the sum by hand."""
    sheet = Flowsheet(
        ("mixer",),
        (Stream("a", None, "mixer"), Stream("b", None, "mixer"), Stream("c", "mixer", None)),
    )
    design = [Reading("a", SOLIDS, 50, 1), Reading("b", SOLIDS, 50, 1)]
    weigher = (("weigher", 0.5),)
    both = tuple(Prospect((s,), solids(), sd=0.3, causes=weigher) for s in ("a", "b"))
    question = Question(both, 2.0, (Target(("c",), SOLIDS),), expectations=frozenset({0, 1}))

    plan = sampling_plan(sheet, design, question)

    assert math.sqrt(2 * 0.3**2 + (0.5 + 0.5) ** 2) == pytest.approx(plan.promises[0].after)


# --- the bound --------------------------------------------------------------------------------


@st.composite
def small_outlooks(draw: st.DrawFn) -> tuple[Outlook, Room]:
    """Draw a few prospects and targets over a few unknowns, with costs."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    unknowns, prospects, targets = rng.integers(2, 6), rng.integers(2, 8), rng.integers(1, 4)
    root = rng.normal(size=(unknowns, unknowns)) * 10 ** rng.uniform(-1, 1)
    rows = rng.normal(size=(prospects + targets, unknowns))
    free = draw(st.integers(0, 1))
    moves = rows @ rng.normal(size=(unknowns, free)) if free else np.zeros((len(rows), 0))
    open_ = moves @ moves.T
    outlook = Outlook(rows @ root @ root.T @ rows.T, open_, 1e-11 * np.diag(open_), int(prospects))
    costs = rng.integers(1, 4, prospects).astype(float)
    room = Room(costs, np.ones(prospects, dtype=np.int64), float(rng.integers(1, 8)))
    return outlook, room


@settings(max_examples=40, deadline=None, derandomize=True)
@given(small_outlooks())
def test_the_bound_never_passes_the_best_plan(drawn: tuple[Outlook, Room]) -> None:
    """The bound lies below every plan, at the relaxed optimum and at any other point."""
    outlook, room = drawn
    goal = SmallSds(len(outlook.figures))
    searcher = Searcher(outlook, goal, room, lambda: None)
    affordable = [
        np.array(plan)
        for plan in itertools.product((0, 1), repeat=outlook.prospects)
        if room.costs @ np.array(plan) <= room.budget
    ]
    marks = [goal.marks(searcher.state(plan), plan) for plan in affordable]
    best = min(tuple(m) for m in marks)
    best_plan = searcher.exhaustive()
    marked = goal.marks(searcher.state(best_plan), best_plan)

    assert best == pytest.approx(tuple(marked), rel=1e-9, abs=1e-9)
    if best[0] > 0:
        return  # no plan within the budget makes every target known, so there is no bound
    found, roots = relaxed(outlook, room), roots_of(outlook)
    assert found is not None
    rng = np.random.default_rng(1)
    duals = rng.normal(size=(5, len(roots.known_targets), roots.known.shape[1]))
    others = rng.normal(size=(5, len(roots.known_targets), roots.open.shape[1]))
    bounds = [found.prices.least(room)]
    drawn_prices = [roots.prices(r.T, m.T) for r, m in zip(duals, others, strict=True)]
    bounds += [prices.least(room) for prices in drawn_prices]
    assert all(b <= best[2] * (1 + 1e-9) + 1e-12 for b in bounds)
    searched = searcher.heuristic(found.degrees)
    assert goal.marks(searcher.state(searched), searched)[2] >= found.prices.least(room) * (
        1 - 1e-9
    )
    for prices in (found.prices, drawn_prices[0]):
        best_found = proven(searcher, prices, np.zeros_like(best_plan))
        assert best_found.is_best
        assert best[2] == pytest.approx(best_found.least, rel=1e-9, abs=1e-12)
    relaxed_goal = goal.marks(outlook.taking_all(found.degrees), best_plan)[2]
    assert relaxed_goal == pytest.approx(found.prices.least(room), rel=1e-3, abs=1e-9)


def test_the_bound_meets_a_plan_that_takes_everything() -> None:
    """With room for everything the relaxed optimum is the plan, so the gap closes."""
    rng = np.random.default_rng(7)
    rows = rng.normal(size=(7, 4))
    outlook = Outlook(rows @ rows.T, np.zeros((7, 7)), np.zeros(7), 5)
    room = Room(np.ones(5), np.ones(5, dtype=np.int64), 5.0)

    found = relaxed(outlook, room)

    assert found is not None
    assert np.ones(5) == pytest.approx(found.degrees, abs=1e-6)
    best = outlook.taking_all(np.ones(5)).figures.mean()
    assert best == pytest.approx(found.prices.least(room), rel=1e-6)


def test_the_variance_of_the_relaxed_plan_is_that_of_dense_algebra() -> None:
    """Rank-one steps with any weights give what inverting the information does."""
    rng = np.random.default_rng(3)
    rows, weights = rng.normal(size=(9, 4)), rng.uniform(0.1, 2.0, 6)
    before = np.diag([1.0, 2.0, 0.5, 4.0])
    outlook = Outlook(rows @ before @ rows.T, np.zeros((9, 9)), np.zeros(9), 6)
    information = np.linalg.inv(before) + rows[:6].T @ np.diag(weights) @ rows[:6]
    expected = np.diag(rows[6:] @ np.linalg.inv(information) @ rows[6:].T)

    assert expected == pytest.approx(outlook.taking_all(weights).figures, rel=1e-12)


def test_open_directions_close_as_a_large_variance_does() -> None:
    """The exact steps are the limit of a prior variance that grows, to its own accuracy."""
    rng = np.random.default_rng(11)
    rows, root, moves = rng.normal(size=(8, 5)), rng.normal(size=(5, 3)), rng.normal(size=(5, 2))
    finite, open_ = rows @ root @ root.T @ rows.T, rows @ moves @ moves.T @ rows.T
    outlook = Outlook(finite, open_, 1e-11 * np.diag(open_), 6)
    large = 1e7 * moves @ moves.T + root @ root.T
    information = np.linalg.inv(large) + rows[:6].T @ rows[:6]
    left = rows[6:] @ np.linalg.inv(information) @ rows[6:].T

    after = outlook.taking_all(np.ones(6))

    assert not after.open_figures.any()
    assert np.diag(left) == pytest.approx(after.figures, rel=1e-5)


# --- power ------------------------------------------------------------------------------------


def test_power_is_that_of_the_noncentral_test() -> None:
    """
    A feed and two products, all weighed: each reading's redundancy by hand.

    With sds s the redundancy of reading i is ``s_i² / Σ s²``, and the bias of 10 % that it shows
    has the noncentrality ``0.1 m_i / sqrt(Σ s²)`` (Narasimhan and Jordache 2000, chapter 7).
    """
    sds = {"feed": 3.0, "rich": 1.0, "poor": 2.0}
    readings = [Reading(s, SOLIDS, TRUTH[s][0], sd) for s, sd in sds.items()]
    sheet = replace(SEPARATOR, components=())
    again = tuple(Prospect((s,), solids(), reading=i) for i, s in enumerate(sds))
    question = Question(again, 0.0, detection=Detection((0, 1, 2)))

    plan = sampling_plan(sheet, readings, question)

    critical = norm.isf((1 - 0.95 ** (1 / 3)) / 2)
    spread = math.sqrt(sum(sd**2 for sd in sds.values()))
    for check, stream in zip(plan.checks, sds, strict=True):
        shift = 0.1 * TRUTH[stream][0] / spread
        assert norm.sf(critical - shift) + norm.cdf(-critical - shift) == pytest.approx(
            check.before, rel=1e-9
        )
        found = check.smallest_before / spread
        assert 0.9 == pytest.approx(norm.sf(critical - found) + norm.cdf(-critical - found))


def test_power_is_what_a_simulation_finds() -> None:
    """
    With the bias in place and readings drawn anew, the test finds it as often as is said.

    The adjustment over its own sd is the maximum-power test of a mass balance (Mah and Tamhane
    1982).  2,000 draws, each balanced in full; five standard errors of a count.
    """
    sds, draws = {"feed": 3.0, "rich": 1.0, "poor": 2.0}, 2000
    sheet = replace(SEPARATOR, components=())
    readings = [Reading(s, SOLIDS, TRUTH[s][0], sd) for s, sd in sds.items()]
    plan = sampling_plan(sheet, readings, Question((), 0.0, detection=Detection((0, 1, 2), 0.11)))
    critical = norm.isf((1 - 0.95 ** (1 / 3)) / 2)
    rng = np.random.default_rng(20261125)

    own = np.array([*sds.values()])
    of_adjustment = own**2 / math.sqrt((own**2).sum())
    truth = np.array([TRUTH[s][0] for s in sds])

    for k, check in enumerate(plan.checks):
        values = truth + rng.normal(size=(draws, 3)) * own
        values[:, k] += 0.11 * truth[k]
        adjustment = reconcile_stack(sheet, readings, values).masses[:, k] - values[:, k]
        found = np.mean(np.abs(adjustment) > critical * of_adjustment[k])
        error = math.sqrt(check.before * (1 - check.before) / draws)
        assert found == pytest.approx(check.before, abs=5 * error)


def test_power_after_an_improvement_is_that_of_the_better_reading() -> None:
    """Half the sd of the feed's weigher narrows the closure, and so raises all powers."""
    sds = {"feed": 3.0, "rich": 1.0, "poor": 2.0}
    readings = [Reading(s, SOLIDS, TRUTH[s][0], sd) for s, sd in sds.items()]
    better = (Prospect(("feed",), solids(), reading=0, narrowed=0.5),)
    question = Question(better, 1.0, detection=Detection((0, 1, 2)))

    plan = sampling_plan(replace(SEPARATOR, components=()), readings, question)

    critical = norm.isf((1 - 0.95 ** (1 / 3)) / 2)
    spread = math.sqrt(1.5**2 + 1.0**2 + 2.0**2)
    for check, stream in zip(plan.checks, sds, strict=True):
        shift = 0.1 * TRUTH[stream][0] / spread
        assert norm.sf(critical - shift) + norm.cdf(-critical - shift) == pytest.approx(
            check.after, rel=1e-9
        )


def test_the_bound_on_the_least_power_holds_for_every_plan() -> None:
    """No plan within the budget has a higher least power than the bound, on drawn circuits."""
    for seed in (1, 6):
        sheet, readings = circuit(seed)
        prospects = usual_prospects(sheet, readings)[::3]
        detection = Detection(tuple(range(len(readings))), bias=0.2)
        best = sampling_plan(sheet, readings, Question(prospects, 3.0, detection=detection))
        assert best.method is Method.EXHAUSTIVE
        for size in (1, 2, 3):
            for chosen in itertools.islice(itertools.combinations(range(len(prospects)), size), 15):
                picked = tuple(prospects[k] for k in chosen)
                whole = Question(picked, float(size), detection=detection)
                plan = sampling_plan(sheet, readings, whole)
                least = min(c.after for c in plan.checks)
                assert least <= min(c.after for c in best.checks) + 1e-9 or plan.before.index == 0


# --- prospects --------------------------------------------------------------------------------


def test_the_usual_prospects_are_unread_repeated_and_improved() -> None:
    """Every unread mass and assay, a repeat of each reading, and half the sd of each."""
    readings = [Reading("feed", SOLIDS, 100, 1.0), Reading("rich", "Sn", 0.42, 0.0042)]

    found = usual_prospects(SEPARATOR, readings)

    assert 4 == sum(p.kind is Kind.ADDITION for p in found)
    assert [0, 1] == [p.reading for p in found if p.kind is Kind.REPEAT]
    assert [0.5, 0.5] == [p.narrowed for p in found if p.kind is Kind.IMPROVEMENT]
    of_mass = [p for p in found if p.kind is Kind.ADDITION and p.of.is_amount]
    assert [0.01, 0.01] == [p.relative_sd for p in of_mass]


def test_the_error_of_a_new_reading_is_that_of_its_like() -> None:
    """sd² = a² + (b y)² is found again where the readings follow it."""
    readings = [
        Reading(s, "Sn", y, math.hypot(0.001, 0.02 * y))
        for s, (_, y) in TRUTH.items()
        if s != "poor"
    ] + [Reading("feed", SOLIDS, 100, 1)]
    sheet = replace(
        SEPARATOR,
        nodes=("node", "next"),
        streams=(
            *SEPARATOR.streams[:2],
            Stream("poor", "node", "next"),
            Stream("tail", "next", None),
        ),
    )

    (found,) = [
        p for p in usual_prospects(sheet, readings) if p.streams == ("tail",) and not p.of.is_amount
    ]

    assert (0.001, 0.02) == pytest.approx((found.sd, found.relative_sd), rel=1e-9)


def test_questions_without_a_single_goal_are_refused() -> None:
    """Targets and detection together, or neither, are a named fault."""
    readings = [Reading("feed", SOLIDS, 100, 1)]

    with pytest.raises(InvalidInput) as refused:
        sampling_plan(SEPARATOR, readings, Question((), 1.0))

    assert ["no-single-goal"] == [f.code for f in refused.value.faults]
