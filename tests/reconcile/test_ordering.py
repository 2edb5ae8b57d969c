"""What a plan is ordered and started by agrees with dense algebra."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reconcile import Flowsheet, Reading, Stream
from reconcile.kernel.exact import Rows
from reconcile.kernel.losses import Loss
from reconcile.kernel.ordering import minimum_degree
from reconcile.kernel.pins import open_in
from reconcile.kernel.ratio_rows import slopes_of
from reconcile.measurands import measurand
from reconcile.model import Key, Model, keys_of
from reconcile.observability import push_of
from reconcile.plan import Plan, plan
from tests.benchmarks.flowsheets import Array, Bools, Family, survey
from tests.flowsheets import Sampling, random_circuit

Readings = tuple[Reading, ...]

SPARSE = Sampling(missing=0.5)
"""So much unread that balances are merged, and that some are crossed by nothing read."""


def _plan(seed: int) -> Plan:
    circuit = random_circuit(seed, streams=8, components=1, sampling=SPARSE)
    sheet = circuit.flowsheet
    keys = [Key(r.streams, measurand(sheet, r.of), r.causes) for r in circuit.readings]
    return plan(sheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))


def _nullity(made: Plan) -> int:
    """Give how many moves balances and readings leave open, by singular values."""
    rows = made.structure.rows.toarray()
    stacked = np.vstack((made.model.exact.toarray(), rows))
    size = np.linalg.norm(stacked, axis=0)
    stacked = stacked / np.where(size > 0, size, 1.0)
    return stacked.shape[1] - int(np.linalg.matrix_rank(stacked, tol=1e-9))


def test_pins_are_as_many_as_the_open_moves():
    """Of 150 circuits with half unread, in some of which a merged balance has no pivot."""
    seeds = [seed for seed in range(150) if not len(_plan(seed).gauges)]

    assert [int(_plan(s).structure.pins.sum()) for s in seeds] == [
        _nullity(_plan(s)) for s in seeds
    ]


def test_open_moves_are_seen_by_no_balance_and_no_reading():
    """Each goes as far as its pins are pushed, and what sees it sees rounding."""
    structures = [_plan(seed).structure for seed in range(60)]
    open_ = [one for one in structures if one.pins.any()]

    for one in open_:
        size = np.abs(one.moves).max()
        for rows in (one.balances, one.rows):
            np.testing.assert_allclose(rows @ one.moves, 0.0, atol=1e-9 * size)
        pushed = one.moves[one.pins]
        assert ((pushed >= 0.5) & (pushed <= 1.5)).all()
    assert len(open_) > 20


def _by_factor(made: Plan) -> tuple[Bools, bool, Array]:
    """Give pins, whether they are certain, and moves from a factor of everything."""
    model, slopes = made.model, made.ratios
    skeleton = made.skeleton
    assert skeleton is not None
    point = np.where(model.absent, 0.0, model.balanced)
    parts = slopes.above, slopes.below, slopes.beside, slopes.constant
    rows = slopes_of(slopes.indptr, slopes.indices, *parts, point)
    derivatives = Rows(slopes.indptr, slopes.indices, rows)
    return open_in(skeleton, model.exact_rows, derivatives, ~model.absent, push_of(model.size))


def _surveyed(family: Family, streams: int, components: int, missing: float, seed: int) -> Plan:
    chosen = survey(family, streams, components, seed, missing=missing)
    keys = keys_of(chosen.flowsheet, chosen.readings(chosen.sd))
    return plan(chosen.flowsheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))


@pytest.mark.parametrize(
    ("family", "streams", "components", "missing", "sure"),
    [
        (Family.DENSE, 8, 3, 0.1, 35),
        (Family.DENSE, 8, 3, 0.4, 20),
        (Family.DENSE, 60, 4, 0.2, 30),
        (Family.LINES, 200, 2, 0.1, 30),
    ],
)
def test_what_is_open_without_a_factor_is_open_by_one(
    family: Family, streams: int, components: int, missing: float, sure: int
):
    """The same pins and the same moves, where both roads are sure; of 40 plans most are."""
    plans = [_surveyed(family, streams, components, missing, seed) for seed in range(40)]
    both = 0
    for made in plans:
        found, (pins, certain, moves) = made.stated, _by_factor(made)
        assert found is not None
        if not found.open.sure or not certain:
            continue
        both += 1
        np.testing.assert_array_equal(found.open.pins, pins)
        size = np.abs(moves).max(initial=0.0)
        np.testing.assert_allclose(found.open.moves, moves, rtol=0.0, atol=1e-9 * size)
    assert both >= sure


def _beside_each_other(flowsheet: Flowsheet, readings: Readings, copies: int) -> Plan:
    """Plan copies of one flowsheet, with nothing between them."""

    def name(own: str | None, copy: int) -> str | None:
        return None if own is None else f"{copy} {own}"

    streams = [
        Stream(f"{k} {s.name}", name(s.source, k), name(s.target, k))
        for k in range(copies)
        for s in flowsheet.streams
    ]
    nodes = tuple(f"{k} {node}" for k in range(copies) for node in flowsheet.nodes)
    sheet = Flowsheet(nodes, tuple(streams), flowsheet.components)
    keys = keys_of(
        sheet, [replace(r, stream=f"{k} {r.stream}") for k in range(copies) for r in readings]
    )
    return plan(sheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys))


@pytest.mark.parametrize("seed", [65, 89])
def test_a_large_flowsheet_of_small_ones_has_their_pins_together(seed: int):
    """Where nothing read crosses merged balances, whose pivots vanish in a factor of everything."""
    chosen = survey(Family.DENSE, 8, 3, seed, missing=0.3)
    readings = chosen.readings(chosen.sd)

    one = _beside_each_other(chosen.flowsheet, readings, 1)
    many = _beside_each_other(chosen.flowsheet, readings, 60)

    assert one.model.is_small
    assert not many.model.is_small
    assert not _by_factor(one)[1]
    assert int(one.structure.pins.sum()) == _nullity(one)
    assert int(many.structure.pins.sum()) == 60 * _nullity(one)
    assert many.known[0].sum() == 60 * one.known[0].sum()
    assert many.known[1].sum() == 60 * one.known[1].sum()


@pytest.mark.parametrize("seed", range(5))
def test_balances_are_the_incidence_of_the_streams(seed: int):
    """Node by node and quantity by quantity, whatever the flowsheet."""
    model = Model(random_circuit(seed, streams=14, components=2).flowsheet)
    amounts = np.random.default_rng(seed).uniform(size=(model.streams, model.kinds))

    found = (model.exact @ amounts.ravel()).reshape(-1, model.kinds)

    np.testing.assert_allclose(found, model.incidence @ amounts, atol=1e-14)


@pytest.mark.parametrize("seed", range(5))
def test_flows_from_splits_balance_at_every_node(seed: int):
    """Whatever the splits, what enters a node leaves it, and an entry carries what it is fed."""
    sheet = random_circuit(seed, streams=14, components=2).flowsheet
    model = Model(sheet)
    feeds, share = np.random.default_rng(seed).uniform(0.2, 2.0, (2, model.streams, model.kinds))

    found = model.flows(feeds, share, slice(None))

    assert (found > 0).all()
    np.testing.assert_allclose(model.incidence @ found, 0.0, atol=1e-12 * found.max())
    np.testing.assert_allclose(found[model.entries], feeds[model.entries])


def test_what_never_leaves_has_no_flow():
    """A circuit whose only outlet takes nothing is refused, not divided by zero."""
    streams = (
        Stream("feed", None, "mill"),
        Stream("out", "mill", "sieve"),
        Stream("back", "sieve", "mill"),
        Stream("product", "sieve", None),
    )
    model = Model(Flowsheet(("mill", "sieve"), streams, ("tin",)))
    share = np.array([[1.0], [1.0], [1.0], [0.0]])

    with pytest.raises(np.linalg.LinAlgError):
        model.flows(np.ones((4, 1)), share, [0])


def test_minimum_degree_takes_the_hub_of_a_star_last():
    """Every leaf has one neighbour; only when one leaf is left has the hub as few."""
    start, member = 2 * np.arange(7), np.array([[0, leaf] for leaf in range(1, 7)]).ravel()

    place = minimum_degree(start, member, 7)

    assert sorted(place) == list(range(7))
    assert place[0] >= 5
