"""One balance from the bytes of a request to the reply; both doors go through here."""

from __future__ import annotations

from time import perf_counter

from reconcile import Balance, Fault, InvalidInput, Options, Outcome
from reconcile.metallurgy.question import Answer, asked_balance
from reconcile.options import Control, Prior, Robust, Scrutiny
from service.kit.calculations import weigh
from service.kit.problems import (
    CONTRADICTORY,
    NOT_CONVERGED,
    OVER_BUDGET,
    Kind,
    RefusalError,
    problem_of,
    refuse_faulty,
)
from service.kit.replies import Members, members_as_bytes, refuse_doubtful
from service.kit.settings import Settings
from service.report.forms import written

from .answer.whole import answer
from .intake import Intake, take_in
from .reply import BalanceReply
from .report import document_of
from .schemas import EvidenceObject, OptionsObject
from .terms.asked import Asked, asked_of
from .terms.request import Terms

_WITHOUT_BALANCE: dict[Outcome, tuple[Kind, str]] = {
    Outcome.CONTRADICTORY: (
        CONTRADICTORY,
        "Give one of the readings an sd above zero, or correct it.",
    ),
    Outcome.NOT_CONVERGED: (NOT_CONVERGED, "Check this reading, its unit and its sd."),
    Outcome.OVER_BUDGET: (OVER_BUDGET, "Balance a smaller part, or allow more."),
}


def options_of(
    wire: OptionsObject | None, settings: Settings, evidence: EvidenceObject | None = None
) -> Options:
    """Give the engine's options, within the limits of the service; with evidence if asked for."""
    asked = wire.time_budget_s if wire else None
    robust = wire.robust if wire else None
    return Options(
        time_budget_s=min(asked or settings.time_budget_s, settings.time_budget_s),
        memory_budget_mb=settings.memory_budget_mb,
        robust=Robust(robust or Robust.NONE),
        scrutiny=None if evidence is None else _scrutiny(evidence),
    )


def _scrutiny(asked: EvidenceObject) -> Scrutiny | None:
    if asked.skip:
        return None
    prior = asked.prior
    return Scrutiny(
        asked.level,
        Control(asked.control),
        asked.angle,
        Prior(prior.reading, prior.leak, prior.exchange),
    )


def refuse_unbalanced(terms: Terms, balance: Balance) -> RefusalError:
    """Give the refusal of a request whose readings led to no balance."""
    kind, mend = _WITHOUT_BALANCE[balance.outcome]
    nodes = list(balance.failure.nodes) if balance.failure else []
    reason = balance.failure.reason if balance.failure else "No reason is known."
    concerned = balance.failure.readings if balance.failure else ()
    faults = [
        Fault(
            terms.origins[i],
            kind.slug,
            f"'{terms.readings[i].name}' of {terms.readings[i].where} is concerned.",
            mend,
        )
        for i in concerned
    ]
    where = f" Nodes concerned: {', '.join(nodes)}." if nodes else ""
    problem = problem_of(kind, f"{reason}{where}", faults).model_copy(
        update={"outcome": str(balance.outcome), "nodes": nodes, "reason": reason}
    )
    return RefusalError(kind, problem)


def _written(reply: Members) -> bytes:
    """
    Write a reply if it holds no number that is not one, and if it closes.

    The engine sees to both; a balance that is signed for is worth a second look.
    """
    text = members_as_bytes(reply)
    _refuse_open(reply["closure"])
    return text


def _refuse_open(closure: Members) -> None:
    open_ones = [w for w in closure["worst"] if w["relative"] > closure["tolerance"]]
    if open_ones:
        worst = max(open_ones, key=lambda w: float(w["relative"]))
        raise refuse_doubtful(
            f"{worst['of']} does not close at '{worst['node']}': the imbalance is "
            f"{worst['relative']:.1e} of its throughput. Look there for readings that differ from "
            "the rest by many orders."
        )


def _calculated(intake: Intake, asked: Asked, settings: Settings) -> tuple[Balance, Answer]:
    terms, wire = intake.terms, intake.request
    options = options_of(wire.options, settings, wire.evidence)
    readings = (*terms.readings, *asked.readings)
    try:
        return asked_balance(terms.flowsheet, readings, terms.beyond.question, options)
    except InvalidInput as error:
        raise refuse_faulty(error.faults) from error


def balance(body: bytes, settings: Settings) -> BalanceReply:
    """
    Give the reconciled balance that a request asks for.

    Raises
    ------
    RefusalError
        if the request is faulty, or has no balance; its problem says why.
    Misplaced
        if it is too large for the lane of a worker process that this is.
    """
    return balanced(take_in(body, settings), settings)


def balanced(intake: Intake, settings: Settings) -> BalanceReply:
    """
    Give the balance of a request that was found to make sense.

    Raises
    ------
    RefusalError, Misplaced
        as :func:`balance`.
    """
    return BalanceReply.model_validate_json(balanced_json(intake, settings))


def balance_json(body: bytes, settings: Settings) -> bytes:
    """Give the reply to a request as it is sent; raises what :func:`balance` raises."""
    return balanced_json(take_in(body, settings), settings)


def balance_report(body: bytes, settings: Settings, media_type: str) -> bytes:
    """Give the report of what a request asks for; raises what :func:`balance` raises."""
    return written(document_of(balance(body, settings)), media_type)


def balanced_json(intake: Intake, settings: Settings) -> bytes:
    """Give what :func:`balanced` gives as it is sent, and raises what it raises."""
    terms = intake.terms
    weigh(len(terms.flowsheet.streams) * len(terms.flowsheet.quantities))
    asked = asked_of(terms.sheet, terms.entries, terms.readings)
    started = perf_counter()
    found, beyond = _calculated(intake, asked, settings)
    engine_time_ms = 1e3 * (perf_counter() - started)
    if found.outcome in _WITHOUT_BALANCE:
        raise refuse_unbalanced(terms, found)
    reply = answer(intake, asked, found, beyond, engine_time_ms)
    return _written(reply)
