"""Worker processes: two lanes, budgets kept from outside, and what a lost process costs."""

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from time import perf_counter, sleep

import pytest
from anyio.from_thread import start_blocking_portal

from service.balances.warm import warm_up
from service.kit.calculations import Lanes, Work
from service.kit.calculations.lanes import SMALL_BODY_BYTES
from service.kit.calculations.worker import Lane, Worker
from service.kit.problems import BUSY, CALCULATION_LOST, NOT_FOUND, OVER_BUDGET, RefusalError
from service.kit.settings import Settings

from . import work

LARGE = b" " * (SMALL_BODY_BYTES + 1)


Running = Callable[[Callable[[Lanes], Awaitable[None]]], None]


@pytest.fixture(scope="module")
def in_lanes() -> Iterator[Running]:
    """Run a test where the lanes are: one worker each, a queue for one, and little memory."""
    settings = Settings(small_workers=1, queue_limit=1, memory_budget_mb=100)
    with start_blocking_portal() as portal:
        lanes = portal.call(Lanes, settings, work.nothing)
        portal.call(lanes.stand_by)
        yield lambda test: portal.call(test, lanes)
        lanes.stop()


def _wait_until(holds: Callable[[], bool]) -> None:
    while not holds():
        sleep(0.01)


async def _refusal(lanes: Lanes, doing: Work, body: bytes = b"") -> RefusalError:
    with pytest.raises(RefusalError) as caught:
        await lanes.run(doing, body)
    return caught.value


def test_a_small_calculation_does_not_wait_for_a_large_one(in_lanes: Running) -> None:
    """While the large lane is busy, the small one answers, and its process has precedence."""

    async def both(lanes: Lanes) -> None:
        large = asyncio.create_task(lanes.run(work.nap, LARGE))
        await asyncio.sleep(0.05)

        assert b"small" == await lanes.run(work.echo, b"small")
        assert not large.done()
        assert {"small": (0, 0), "large": (1, 0)} == lanes.load
        assert b" " == await large
        assert int(await lanes.run(work.niceness, b"")) < int(await lanes.run(work.niceness, LARGE))

    in_lanes(both)


def test_a_short_request_for_a_large_calculation_changes_lanes(in_lanes: Running) -> None:
    """What turns out to be large when it has been read is begun again in the large lane."""

    async def misplaced(lanes: Lanes) -> None:
        assert await lanes.run(work.niceness, LARGE) == await lanes.run(work.weighty, b"short")

    in_lanes(misplaced)


def test_a_full_queue_refuses_and_says_when_to_come_back(in_lanes: Running) -> None:
    """One works, one waits, the third is refused with 503 and Retry-After; the others finish."""

    async def three(lanes: Lanes) -> None:
        first, second = (asyncio.create_task(lanes.run(work.nap, b"x")) for _ in range(2))
        await asyncio.sleep(0.05)
        refused = await _refusal(lanes, work.echo)

        assert BUSY == refused.kind
        assert int(refused.headers["Retry-After"]) >= 1
        assert [b"x", b"x"] == await asyncio.gather(first, second)

    in_lanes(three)


def test_a_refusal_passes_from_process_to_process_whole(in_lanes: Running) -> None:
    """Kind, problem and headers are those that the work gave; a defect stays a defect."""

    async def refused(lanes: Lanes) -> None:
        found = await _refusal(lanes, work.refuse)

        assert NOT_FOUND == found.kind
        assert ("There is none.", {"Allow": "GET"}) == (found.problem.detail, found.headers)
        with pytest.raises(RuntimeError, match="a slip in the program"):
            await lanes.run(work.fail, b"")

    in_lanes(refused)


def test_a_lost_process_costs_one_calculation(in_lanes: Running) -> None:
    """The request at hand is told so, those that follow are answered, the other lane goes on."""

    async def lost(lanes: Lanes) -> None:
        large = asyncio.create_task(lanes.run(work.nap, LARGE))

        assert CALCULATION_LOST == (await _refusal(lanes, work.crash)).kind
        assert b"next" == await lanes.run(work.echo, b"next")
        assert b" " == await large

    in_lanes(lost)


def test_more_memory_than_allowed_is_a_named_problem(in_lanes: Running) -> None:
    """An allocation beyond the budget fails in the worker, which lives on."""

    async def devoured(lanes: Lanes) -> None:
        assert OVER_BUDGET == (await _refusal(lanes, work.devour)).kind
        assert b"next" == await lanes.run(work.echo, b"next")

    in_lanes(devoured)


def test_a_calculation_that_will_not_end_is_ended() -> None:
    """Where the engine does not keep to its time, the process is stopped from outside."""

    async def hung() -> None:
        lane = Lane(Settings(time_budget_s=0.2), work.nothing, False, None, grace_s=0.1)
        worker = Worker(lane)
        await worker.stand_by()
        started = perf_counter()
        future = worker.begin(work.hang, b"")
        with pytest.raises(BaseException) as caught:  # noqa: PT011 - its kind is asserted below
            await asyncio.wrap_future(future)
        spent = perf_counter() - started

        assert "BrokenProcessPool" == type(caught.value).__name__
        assert 0.3 <= spent < 5
        assert OVER_BUDGET == worker.refusal(spent).kind
        worker.stop(0.0)

    asyncio.run(hung())


def test_limits_of_callers_do_not_bind_the_preparation(monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers get ready however little a caller is allowed, and however long compiling takes."""
    for name, value in (("STREAM_LIMIT", "3"), ("READING_LIMIT", "6"), ("TIME_BUDGET_S", "1e-9")):
        monkeypatch.setenv(f"EVENLODE_{name}", value)

    warm_up()


def test_a_worker_that_is_still_at_work_is_ended_with_the_service() -> None:
    """When requests have had their time to finish, nothing holds the end up."""

    async def stopped() -> None:
        worker = Worker(Lane(Settings(), work.nothing, yields=False, most_quantities=None))
        await worker.stand_by()
        future = worker.begin(work.hang, b"")
        await asyncio.to_thread(_wait_until, future.running)
        started = perf_counter()
        await asyncio.to_thread(worker.stop, 0.2)

        assert perf_counter() - started < 10
        assert "BrokenProcessPool" == type(future.exception(timeout=10)).__name__

    asyncio.run(stopped())
