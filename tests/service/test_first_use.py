"""Loops are compiled by several processes at a time, and only where they are not kept."""

import threading

import pytest

from reconcile.first_use import Part
from service.balances import first_use


def test_nothing_is_told_where_all_is_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(first_use, "are_compiled", lambda: True)

    first_use.compile_at_a_time(tell=lambda: pytest.fail("there was nothing to tell"))


@pytest.mark.parametrize("kept", [True, False])
def test_a_part_that_is_missing_among_those_kept_is_made_ready(
    monkeypatch: pytest.MonkeyPatch, kept: bool
) -> None:
    """A server would compile it within a request otherwise, whose time would run out."""
    ready: list[Part] = []
    monkeypatch.setattr(first_use, "are_compiled", lambda: True)
    monkeypatch.setattr(first_use, "are_kept", lambda: kept)
    monkeypatch.setattr(first_use, "make_ready", ready.append)

    first_use.compile_at_a_time()

    assert ready == (list(Part) if kept else [])


@pytest.mark.parametrize("cores", [1, 2, 8])
def test_every_part_is_made_ready_once_by_one_process_or_another(
    monkeypatch: pytest.MonkeyPatch, cores: int
) -> None:
    here: list[Part] = []
    told: list[str] = []
    elsewhere: list[Part] = []
    begun = threading.Event()

    def ready(part: Part) -> None:
        here.append(part)
        assert cores == 1 or begun.wait(10)

    class Process:
        """Stands for a process: what it would compile is noted."""

        def __init__(self, args: tuple[Part], **_: object) -> None:
            (self._part,) = args

        def start(self) -> None:
            elsewhere.append(self._part)
            begun.set()

        def join(self) -> None:
            pass

    monkeypatch.setattr(first_use, "are_compiled", lambda: False)
    monkeypatch.setattr(first_use, "make_ready", ready)
    monkeypatch.setattr(first_use._SPAWN, "Process", Process)
    monkeypatch.setattr("os.cpu_count", lambda: cores)

    first_use.compile_at_a_time(tell=lambda: told.append("once"))

    assert ["once"] == told
    assert sorted(Part) == sorted(here + elsewhere)
    assert elsewhere or cores == 1


def test_another_process_makes_a_part_ready() -> None:
    """Where it is kept already, that takes only as long as the engine takes to load."""
    process = first_use._SPAWN.Process(target=first_use._make_ready, args=(Part.ONE,))
    process.start()
    process.join()

    assert 0 == process.exitcode
