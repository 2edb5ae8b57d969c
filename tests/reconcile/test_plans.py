"""Plans are kept for the next balance of the same flowsheet, within a bound."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sp

from reconcile import Flowsheet
from reconcile.kernel.losses import Loss
from reconcile.measurands import solids
from reconcile.model import Key, keys_of, model_of
from reconcile.plan import Plan, Plans, plan
from tests.flowsheets import separator
from tests.studies.agreement import general_circuit

READ = Key(("feed",), solids())


def _of(plans: Plans, sheet: Flowsheet) -> Plan:
    return plans.of(sheet, [READ], [Loss.SQUARE], [False])


def test_the_plan_longest_unused_goes_first():
    """Room is for two: a third takes the place of the one not asked for since."""
    one, two, three = (separator((name,)) for name in ("tin", "lead", "zinc"))
    plans = Plans(most=2 * _of(Plans(), one).weight)

    first, second = _of(plans, one), _of(plans, two)
    again = _of(plans, one)
    _of(plans, three)

    assert first is again
    assert len(plans) == 2
    assert _of(plans, one) is first
    assert _of(plans, two) is not second


def test_what_is_forgotten_leaves_its_room():
    """After all is forgotten there is room for as much as before."""
    plans = Plans(most=2 * _of(Plans(), separator(("tin",))).weight)
    for name in ("tin", "lead"):
        _of(plans, separator((name,)))

    plans.forget()
    for name in ("zinc", "iron"):
        _of(plans, separator((name,)))

    assert len(plans) == 2


def test_a_plan_larger_than_the_room_is_kept_by_itself():
    """The balance that it was made for is the one most likely to come again."""
    plans = Plans(most=1)
    _of(plans, separator(("tin",)))

    kept = _of(plans, separator(("lead",)))

    assert len(plans) == 1
    assert _of(plans, separator(("lead",))) is kept


def test_plans_of_one_flowsheet_share_its_model():
    """What follows from the flowsheet alone is worked out once, and forgotten with the plans."""
    plans, sheet = Plans(), separator(("tin",))
    one = _of(plans, sheet)
    other = plans.of(sheet, [Key(("tailing",), solids())], [Loss.SQUARE], [False])

    assert other is not one
    assert other.model is one.model
    assert _of(Plans(), sheet).model is not one.model
    plans.forget()
    assert _of(plans, sheet).model is not one.model


@pytest.mark.parametrize("seed", range(20))
def test_what_is_determined_is_what_rows_of_one_unknown_observe(seed: int):
    """The same question, asked of all unknowns at once and by a row for each, or for each ratio."""
    circuit = general_circuit(seed)
    keys = keys_of(circuit.flowsheet, circuit.readings)[::2]
    structure = plan(
        circuit.flowsheet, keys, [Loss.SQUARE] * len(keys), [False] * len(keys)
    ).structure
    unknowns = len(structure.pins)
    part, whole = np.arange(1, unknowns), np.zeros(unknowns - 1, dtype=np.int64)
    ratio = np.linspace(0.1, 2.0, len(part))
    eye = sp.csr_array(sp.eye_array(unknowns, format="csr"))
    ratios = sp.csr_array(eye[part] - eye[whole] * ratio[:, None])

    assert (structure.determined == structure.observable(eye)).all()
    assert (structure.in_ratio(part, whole, ratio) == structure.observable(ratios)).all()


@pytest.mark.parametrize("seed", range(40))
def test_what_conservation_leaves_open_is_a_rank(seed: int):
    """Counted along the streams, it is the unknowns less the rank of the balances, closed or no."""
    model = model_of(general_circuit(seed).flowsheet, [])
    rng = np.random.default_rng(seed)
    for closing in range(0 if model.sums else 4):
        closed = model.absent.copy()
        for stream in rng.choice(model.streams, min(closing, model.streams), replace=False):
            closed[stream * model.kinds :][: model.kinds] = True
        rows = model.exact.toarray()[:, ~closed]

        assert rows.shape[1] - np.linalg.matrix_rank(rows) == model.left_open(closed)
