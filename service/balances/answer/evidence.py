"""The evidence of the answer: tests, findings and decisions, in sentences and as data."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile import SOLIDS
from reconcile.evidence.odds import SLIP, SLIPS
from reconcile.evidence.space import GROSS, LOST
from reconcile.findings import (
    Decision,
    Evidence,
    Figure,
    Finding,
    Suspicion,
    Telling,
)
from service.kit.figures import decimals_for, fixed, p_value
from service.kit.replies import Members
from service.kit.strict_json import pointer

from .families import families_of
from .suspects import Naming
from .terms import PERCENT, Answering, times

_SLIPPED = f"in one case of {1 / SLIPS:g}"
_SIZE_OF_READING = (
    f"normal about zero, {GROSS:g} sd of the reading; {_SLIPPED} as large as the value"
)
_SIZE_OF_LEAK = (
    f"normal about zero, {PERCENT * LOST:g} % of what enters the node; {_SLIPPED} {SLIP:g} times "
    "that"
)

_WORTH_TELLING = 0.5
"""Change of a figure, in its standard deviation, that a sentence mentions."""

_MOST_FIGURES = 3
_SEVERAL = 2


def evidence_of(it: Answering) -> Members | None:
    """Give the evidence, if the request wants it."""
    found = it.balance.evidence
    if found is None:
        return None
    asked, naming = it.intake.request.evidence, Naming(it)
    findings = [_finding(naming, finding) for finding in found.findings]
    decisions = [_decision(naming, decision) for decision in found.decisions]
    origins = it.intake.terms.origins
    discounted = found.discounted
    return {
        "reference": found.reference,
        "level": asked.level,
        "control": asked.control,
        "angle": asked.angle,
        "prior": {
            "reading": asked.prior.reading,
            "leak": asked.prior.leak,
            "exchange": asked.prior.exchange,
            "size_of_reading": _SIZE_OF_READING,
            "size_of_leak": _SIZE_OF_LEAK,
        },
        "statements": [
            *_summary(it, found),
            *(finding["statement"] for finding in findings),
            *(decision["statement"] for decision in decisions),
            *_second_opinion(naming, found),
            *found.left_untried,
        ],
        "findings": findings,
        "decisions": decisions,
        "discounted": None
        if discounted is None
        else list(dict.fromkeys(pointer(origins[i]) for i in discounted)),
        "global_test": _global(it, found),
        **families_of(naming, found, asked.listed),
    }


def _global(it: Answering, found: Evidence) -> Members | None:
    test = it.balance.test
    if test is None or found.critical is None:
        return None
    return {
        "statistic": test.statistic,
        "degrees_of_freedom": test.degrees_of_freedom,
        "critical": found.critical,
    }


def _summary(it: Answering, found: Evidence) -> Iterator[str]:
    """Say what there is to say where nothing was found."""
    if found.findings:
        return
    if found.critical is None:
        reason = found.reference.removeprefix("none: ")
        yield f"Nothing was tested: {reason}."
        return
    families = (found.readings, found.shared, found.leaks, found.exchanges)
    tried = sum(family.count for family in families if family is not None)
    level = f"{PERCENT * it.intake.request.evidence.level:g} %"
    test = it.balance.test
    if test is not None and test.statistic > found.critical:
        yield (
            "The adjustments taken together are larger than the stated errors allow, but of "
            f"{tried} single errors tried none explains it at the level of {level}. Look at the "
            "stated errors, and at the flowsheet."
        )
        return
    yield f"No error was found: of {tried} tried none is significant at the level of {level}."


def _finding(naming: Naming, finding: Finding) -> Members:
    return {
        "statement": _finding_in_words(naming, finding),
        "explanations": [
            {
                **naming.test(explanation.test),
                "statement": naming.statement(explanation.test),
                "angle": explanation.angle,
                "alike": explanation.alike,
                "probability": PERCENT * explanation.probability,
            }
            for explanation in finding.explanations
        ],
        "p_value": finding.p_value,
        "adjusted": finding.adjusted,
        "telling": [
            {
                "reading": _wanted(naming, telling),
                "repeats": telling.repeats,
                "separation": telling.separation,
                "complete": telling.complete,
            }
            for telling in finding.telling
        ],
    }


def _wanted(naming: Naming, telling: Telling) -> str:
    name, period = naming.it.labels[telling.stream]
    where = f"'{name}'" if period is None else f"'{name}' in {period}"
    return f"{telling.of.name} of {where}"


def _finding_in_words(naming: Naming, finding: Finding) -> str:
    """Say one finding: what, what else it may be, and what to read next."""
    alike = [e for e in finding.explanations if e.alike]
    others = [e for e in finding.explanations if not e.alike]
    said = []
    if len(alike) >= _SEVERAL:
        odds = ", ".join(f"{PERCENT * e.probability:.2g}" for e in alike)
        listed = " ".join(f"({n}) {naming.statement(e.test)}" for n, e in enumerate(alike, 1))
        said.append(
            f"One of these {len(alike)} is so, and the readings cannot tell which (probabilities "
            f"{odds} %): {listed}"
        )
    else:
        said += [naming.statement(e.test) for e in alike]
    for e in others:
        said.append(
            f"Or, with a probability of {PERCENT * e.probability:.2g} %: {naming.statement(e.test)}"
        )
    return " ".join([*said, *_next_step(naming, finding)])


def _next_step(naming: Naming, finding: Finding) -> Iterator[str]:
    """Say what to read next."""
    tellings = list(finding.telling)
    if len(finding.explanations) > 1:
        if not tellings:
            yield "No single further reading would tell any two of them apart."
            return
        told = ", or ".join(_told(naming, t) for t in tellings)
        some = "" if all(t.complete for t in tellings) else " some of"
        yield f"To tell{some} them apart, {told}."
        return
    suspect = finding.explanations[0].test.hypothesis
    others = [t for t in tellings if not t.repeats]
    if suspect.suspicion is Suspicion.READING:
        said = naming.action(suspect.readings[0])
    elif tellings:
        lead = "Check the labels, or " if suspect.suspicion is Suspicion.EXCHANGE else ""
        said = f"{lead}{_told(naming, tellings[0])} to confirm it"
        said = f"{said[0].upper()}{said[1:]}"
        others = []
    elif suspect.suspicion is Suspicion.EXCHANGE:
        said, others = "Check the labels", []
    else:
        return
    beside = finding.beside
    if others and beside is not None:
        said += f", or {_told(naming, others[0])}: that would tell it from {naming.name(beside)}"
    yield f"{said}."


def _told(naming: Naming, telling: Telling) -> str:
    name, period = naming.it.labels[telling.stream]
    where = f"'{name}'" if period is None else f"'{name}' in {period}"
    again = " again" if telling.repeats else ""
    if telling.of.name == SOLIDS:
        return f"weigh {where}{again}"
    if telling.of.name in naming.it.sheet.flowsheet.components:
        return f"assay {telling.of.name} in {where}{again}"
    return f"read {telling.of.name} of {where}{again}"


def _figure_name(naming: Naming, figure: Figure) -> str:
    name, period = naming.it.labels[figure.stream]
    where = f"'{name}'" if period is None else f"'{name}' in {period}"
    return f"yield of {where}" if figure.of == SOLIDS else f"recovery of {figure.of} to {where}"


def _decision(naming: Naming, decision: Decision) -> Members:
    return {
        "statement": _decision_in_words(naming, decision),
        "suspects": [naming.suspect(h) for h in decision.hypotheses],
        "balanced_anew": decision.balanced_anew,
        "figures": [
            {
                "figure": _figure_name(naming, figure),
                "before": times(figure.before.value, PERCENT),
                "before_sd": times(figure.before.sd, PERCENT),
                "after": times(figure.after.value, PERCENT),
                "after_sd": times(figure.after.sd, PERCENT),
            }
            for figure in decision.figures
        ],
        "statistic": decision.statistic,
        "degrees_of_freedom": decision.degrees,
        "p_value": decision.p_value,
    }


def _lead(naming: Naming, decision: Decision) -> str:
    parts = []
    for h in decision.hypotheses:
        name = naming.name(h)
        if h.suspicion is Suspicion.READING:
            parts.append(f"without {name}")
        elif h.suspicion is Suspicion.EXCHANGE:
            parts.append(f"with {name.removeprefix('an exchange of ')} exchanged back")
        else:
            parts.append(f"with {name} taken for true")
    said = " and ".join(parts)
    order = "" if decision.balanced_anew else " (to first order)"
    return f"{said[0].upper()}{said[1:]}{order}"


def _change(figure: Figure) -> float:
    """Give how far a figure moves, in its standard deviation."""
    before, after = figure.before, figure.after
    if before.value is None or after.value is None or not before.sd:
        return 0.0
    return abs(after.value - before.value) / before.sd


def _decision_in_words(naming: Naming, decision: Decision) -> str:
    moved = sorted((f for f in decision.figures if _change(f) >= _WORTH_TELLING), key=_change)[::-1]
    told = [f"{_figure_name(naming, f)} {_from_to(f)} %" for f in moved[:_MOST_FIGURES]]
    lost = [
        _figure_name(naming, f)
        for f in decision.figures
        if f.before.value is not None and f.after.value is None
    ]
    if lost:
        told.append(f"{', '.join(lost[:_MOST_FIGURES])} could then not be known")
    said = "; ".join(told) or "no yield or recovery to a product changes by half its sd"
    test = (
        "" if decision.p_value is None else f" The test of all is then {p_value(decision.p_value)}."
    )
    return f"{_lead(naming, decision)}: {said}.{test}"


def _from_to(figure: Figure) -> str:
    before, after = figure.before, figure.after
    decimals = max(decimals_for(PERCENT * (before.sd or 1.0)) - 1, 1)
    shown = (fixed(PERCENT * (known.value or 0.0), decimals) for known in (before, after))
    return " -> ".join(shown)


def _second_opinion(naming: Naming, found: Evidence) -> Iterator[str]:
    """Say what a robust fit thinks of what was found."""
    if found.discounted is None:
        return
    origins = naming.it.intake.terms.origins
    named = [naming.reading(i) for i in found.discounted if i < len(origins)]
    if named:
        yield f"A second opinion: a robust fit (Huber) counts less than half {', '.join(named)}."
    else:
        yield "A second opinion: a robust fit (Huber) counts every reading at least half."
