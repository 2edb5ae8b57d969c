"""Tables and lists of a balance are made when something in them is looked up, and only then."""

from __future__ import annotations

import gc
import pickle
from collections.abc import Callable

import numpy as np
import pytest

from reconcile import reconcile_balance
from reconcile.columns import KNOWLEDGE
from reconcile.later import Listed, Table
from tests.studies.agreement import general_circuit


def _counted(made: list[str], what: object) -> Callable[[], object]:
    def make() -> object:
        made.append("made")
        return what

    return make


def test_a_table_is_made_at_the_first_look_and_once() -> None:
    """Nothing is made before; whatever is asked afterwards is asked of the one made."""
    made: list[str] = []
    table: Table[str, int] = Table(_counted(made, {"tin": 1, "lead": 2}))  # type: ignore[arg-type]

    assert not made
    assert [1, 2, 2] == [table["tin"], table["lead"], len(table)]
    assert ["tin", "lead"] == list(table) == list(table.keys())
    assert [1, 2] == list(table.values())
    assert {"tin": 1, "lead": 2} == table == dict(table.items())
    assert "tin" in table
    assert table.get("zinc") is None
    assert ["made"] == made
    with pytest.raises(KeyError, match="zinc"):
        _ = table["zinc"]


def test_a_list_is_made_at_the_first_look_and_once() -> None:
    """It counts, cuts and compares as any sequence does."""
    made: list[str] = []
    numbers: Listed[int] = Listed(_counted(made, [3, 1, 2]))  # type: ignore[arg-type]

    assert not made
    assert (3, 2, [1, 2], 3) == (numbers[0], numbers[-1], numbers[1:], len(numbers))
    assert [3, 1, 2] == list(numbers)
    assert numbers == (3, 1, 2)
    assert numbers != [3, 1]
    assert ["made"] == made


def test_a_balance_can_be_sent_to_another_process() -> None:
    """What comes out of it there is equal, name by name, and shows the same."""
    circuit = general_circuit(0)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)

    sent = pickle.loads(pickle.dumps(balance))  # noqa: S301 - made a line before

    assert balance == sent
    assert repr(balance.masses) == repr(sent.masses) == repr(dict(balance.masses))
    assert len(balance.readings) == len(circuit.readings)
    assert np.array_equal(balance.followed.columns.numbers, sent.followed.columns.numbers)


def test_tables_show_what_stands_at_their_positions() -> None:
    """Values, sds and classes by name are those of the arrays; what was read has more to tell."""
    circuit = general_circuit(0)
    balance = reconcile_balance(circuit.flowsheet, circuit.readings)
    followed = balance.followed.columns
    tables = (balance.yields, balance.recoveries, balance.splits, balance.component_masses)

    for table in tables:
        for name, position in zip(table.names, table.positions.tolist(), strict=True):
            known = table[name]
            told = followed.told[:, position].tolist()
            numbers = followed.numbers[:, position].tolist()
            assert [known.value, known.sd] == [
                number if there else None for number, there in zip(numbers, told, strict=True)
            ]
            assert known.knowledge is KNOWLEDGE[followed.kinds[position]]
    read = {(r.stream, r.of) for r in circuit.readings if r.limit is None}
    for stream, estimate in balance.masses.items():
        assert ((stream, "mass") in read) == (estimate.reading is not None)


@pytest.mark.parametrize("on", [True, False])
def test_the_collector_of_cycles_is_left_as_it_was(on: bool) -> None:
    def failing() -> list[int]:
        assert not gc.isenabled()
        raise LookupError

    before = gc.isenabled()
    try:
        (gc.enable if on else gc.disable)()
        # One table is made of another.
        inner = Listed(lambda: [1, 2])
        assert list(Listed(lambda: [2 * one for one in inner])) == [2, 4]
        assert gc.isenabled() == on
        with pytest.raises(LookupError):
            len(Listed(failing))
        assert gc.isenabled() == on
    finally:
        (gc.enable if before else gc.disable)()
