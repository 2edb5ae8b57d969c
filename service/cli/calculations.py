"""Commands that calculate what is in a file and keep nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Generic, TypeVar

import typer

from .terminal import (
    BAD_INPUT,
    NO_BALANCE,
    AsJson,
    RequestFile,
    complain,
    request_in,
    settings_in_force,
    stop,
    write,
)

if TYPE_CHECKING:
    from service.balances.reply import BalanceReply
    from service.drift.reply import DriftReply
    from service.kit.replies import Out
    from service.kit.settings import Settings
    from service.sampling_plans.reply import SamplingPlanReply
    from service.tests.reply import TestReply

Reply = TypeVar("Reply", bound="Out")
Answer = TypeVar("Answer")


_COMPILING = (
    "the first calculation of an installation compiles its loops, which takes a minute or two; "
    "later ones do not."
)


@dataclass(frozen=True, slots=True)
class Calculation(Generic[Reply]):
    """
    From the bytes of a request to a reply, and how the reply is told at a terminal.

    ``answer`` raises ``RefusalError`` where there is no reply.
    """

    answer: Callable[[bytes, Settings], Reply]
    as_text: Callable[[Reply], str]


def answered(
    answer: Callable[[bytes, Settings], Answer], body: bytes, settings: Settings, *, json: bool
) -> Answer:
    """Give the answer to a request, or tell why there is none and end."""
    from service.balances.first_use import compile_at_a_time
    from service.kit import problems
    from service.kit.plain_table import visible
    from service.kit.threads import use_one_thread_each

    use_one_thread_each()
    # All of it, also what this command does not need: a server would be slow to its first callers.
    compile_at_a_time(tell=lambda: complain(_COMPILING))
    try:
        return answer(body, settings)
    except problems.RefusalError as refusal:
        if json:
            write(problems.as_json(refusal.problem, indent=2) + "\n")
        else:
            for line in problems.as_lines(refusal.problem):
                typer.echo(visible(line), err=True)
        raise typer.Exit(NO_BALANCE if refusal.problem.outcome else BAD_INPUT) from None


def _balance() -> Calculation[BalanceReply]:
    from service.balances.service import balance
    from service.balances.table import as_text

    return Calculation(balance, as_text)


def _drift() -> Calculation[DriftReply]:
    from service.drift.service import drift
    from service.drift.table import as_text

    return Calculation(drift, as_text)


def _sampling_plan() -> Calculation[SamplingPlanReply]:
    from service.sampling_plans.service import plan
    from service.sampling_plans.table import as_text

    return Calculation(plan, as_text)


def _test() -> Calculation[TestReply]:
    from service.tests.spreadsheet.service import reconcile_any
    from service.tests.table import as_text

    return Calculation(reconcile_any, as_text)


def _add(
    application: typer.Typer, name: str, load: Callable[[], Calculation[Reply]], purpose: str
) -> None:
    """Add a command that prints a table or JSON; its calculation is loaded when it runs."""

    def command(file: RequestFile, json: AsJson = False) -> None:
        settings = settings_in_force()
        body = request_in(file, settings.body_limit_bytes)
        from service.kit.replies import as_json

        calculation = load()
        found = answered(calculation.answer, body, settings, json=json)
        write(as_json(found, indent=2) + "\n" if json else calculation.as_text(found))

    application.command(name, help=purpose)(command)


def example(
    name: Annotated[str | None, typer.Argument(help="Its name; leave out for a list.")] = None,
) -> None:
    """Print an example request, ready for 'evenlode balance -'."""
    from service import examples

    if name is None:
        write("".join(f"{known}\n" for known in examples.names()))
        return
    try:
        write(examples.text(name))
    except KeyError:
        stop(f"there is no example '{name}'. Known examples: {', '.join(examples.names())}.")


def install(application: typer.Typer) -> None:
    """Add these commands."""
    _add(
        application,
        "balance",
        _balance,
        "Reconcile the readings in a file and print the balance.",
    )
    _add(
        application,
        "drift",
        _drift,
        "Look at many shifts together: which instrument is off, which stated sd is wrong.",
    )
    _add(
        application,
        "sampling-plan",
        _sampling_plan,
        "Rank further readings for the request in a file, and plan which to take.",
    )
    _add(
        application,
        "test",
        _test,
        "Reconcile a laboratory test, in JSON or on a sheet that was filled in, and print it.",
    )
    application.command()(example)
