"""Tables and lists of a balance are made when something in them is looked up, and only then."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import pytest

from reconcile import reconcile_balance
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
