"""What a sampling plan says, in sentences that a metallurgist can act on."""

from __future__ import annotations

from reconcile.evidence.sampling import Detection, Method, Promise, SamplingPlan
from service.kit.figures import plain, plus_minus

from .reply import RANKING, Certificate
from .terms import Aim, Asked, Offer

MOST_NAMED = 6
"""Names listed in one sentence."""

ROUNDING = 1e-9
"""A gain below this is none."""

STRAIGHT = (
    "Forecasts are of the balance linearised where it stands: what a reading of an assay tells "
    "depends a little on what it reads. Balance again once it is taken."
)

EXPECTED = (
    "Design values say where the balance lies and inform of nothing; any that do not balance are "
    "reconciled, each to 1 % of itself."
)

_VERBS = {"addition": "read", "repeat": "repeat", "improvement": "improve"}


def in_words(offer: Offer) -> str:
    """Say what taking a candidate means."""
    return f"{_VERBS[offer.kind]} {_named(offer)}"


def _named(offer: Offer) -> str:
    return f"{offer.words} of {offer.place.words}"


def statements(asked: Asked, plan: SamplingPlan, certificate: Certificate) -> list[str]:
    """Say what the plan brings, what is best to do first, and how sure that is."""
    detection = asked.question.detection
    if detection is None:
        pairs = zip(asked.aims, plan.promises, strict=True)
        said = [_of_target(*pair) for pair in pairs]
    else:
        said = _of_power(asked, plan, detection)
    design = [EXPECTED] if asked.question.expectations else []
    return [
        *said,
        _of_best(asked, plan),
        *_of_certainty(asked, plan, certificate),
        STRAIGHT,
        *design,
    ]


def _of_aim(aim: Aim) -> str:
    if aim.wire.figure == "yield":
        return f"The yield of {aim.place.words}"
    if aim.wire.figure == "recovery":
        return f"The recovery of {aim.words} to {aim.place.words}"
    return f"The {aim.words} of {aim.place.words}"


def _of_target(aim: Aim, promise: Promise) -> str:
    what, unit = _of_aim(aim), f" {aim.unit}" if aim.unit else ""
    if promise.value is None or not promise.within_reach:
        return f"{what} cannot be known by these candidates."
    now = "not known now"
    if promise.before is not None:
        now = f"{plus_minus(promise.value * aim.per, promise.before * aim.per)}{unit}"
    if promise.after is None:
        return f"{what} is not known now and stays so within this budget."
    wanted = _of_wanted(aim, promise.after * aim.per)
    if promise.after == promise.before:
        return f"{what} is {now}{wanted}."
    return f"{what} is {now}; with the plan its sd is {promise.after * aim.per:.2g}{unit}{wanted}."


def _of_wanted(aim: Aim, after: float) -> str:
    if aim.wire.sd is None:
        return ""
    met = "reached" if after <= aim.wire.sd else "not reached"
    return f", and the {plain(aim.wire.sd)} wanted is {met}"


def _of_power(asked: Asked, plan: SamplingPlan, detection: Detection) -> list[str]:
    entries = {entry.at[0]: entry for entry in asked.terms.entries if entry.at}
    reached = [sum(p >= detection.power for p in told) for told in _powers(plan)]
    said = (
        f"A bias of {100 * detection.bias:.3g} % is found with a power of {detection.power:.3g} or "
        f"more in {reached[0]} of {len(plan.checks)} readings now, in {reached[1]} with the plan; "
        f"the chance of any false alarm is {detection.level:.3g}."
    )
    unchecked = [entries[c.reading] for c in plan.checks if c.smallest_after is None]
    if not unchecked:
        return [said]
    names = [f"{entry.words} of {entry.place.words}" for entry in unchecked]
    return [said, f"Checked by nothing even then: {_first(names)}."]


def _powers(plan: SamplingPlan) -> tuple[list[float], list[float]]:
    return [c.before for c in plan.checks], [c.after for c in plan.checks]


def _of_best(asked: Asked, plan: SamplingPlan) -> str:
    if not plan.worths:
        return "There is no candidate that could be taken."
    best = plan.worths[0]
    gains = best.opens or best.state.index < plan.before.index - ROUNDING
    if not gains and not best.state.mean < plan.before.mean - ROUNDING:
        return "No single candidate brings anything by itself; it takes several together."
    return f"The most for its cost: {in_words(asked.offers[best.prospect])}."


def _of_certainty(asked: Asked, plan: SamplingPlan, certificate: Certificate) -> list[str]:
    if certificate.method == RANKING:
        return []
    if plan.method is Method.EXHAUSTIVE:
        return ["Every plan within the budget was tried; none is better."]
    if plan.method.is_proof:
        return ["No plan within the budget is better, as branch and bound has proven."]
    chosen = f"Chosen by {certificate.method}."
    if certificate.bound is None:
        return [f"{chosen} No bound is known for what another plan could reach."]
    detection = asked.question.detection
    if detection is not None and detection.by_number:
        said = (
            f"{chosen} All candidates together, whatever they cost, bring {certificate.bound:.0f} "
            f"readings to that power; this plan brings {plan.after.reached}."
        )
    elif plan.checks:
        said = (
            f"{chosen} No plan within the budget can have a least power above "
            f"{certificate.bound:.3g}; this one has {1 - plan.after.index:.3g}."
        )
    else:
        said = (
            f"{chosen} No plan within the budget can bring the root mean square of the sds below "
            f"{certificate.bound:.3g} of their references; this one brings it to "
            f"{plan.after.index:.3g}, so it is within {certificate.gap or 0:.2g} % of the best."
        )
    return [said]


def warnings(asked: Asked, plan: SamplingPlan) -> list[str]:
    """Say what of the plan rests on a guess, and what was left out."""
    said = []
    sure = {worth.prospect: worth.sure for worth in plan.worths}
    taken = dict.fromkeys(step.prospect for step in plan.steps)
    guessed = [in_words(asked.offers[i]) for i in taken if not sure[i]]
    if guessed:
        said.append(
            f"What it would find is not known yet, so that the forecast rests on a guess: "
            f"{_first(guessed)}."
        )
    if plan.unusable:
        names = [_named(asked.offers[i]) for i in plan.unusable]
        said.append(
            f"Left out, since the stream carries nothing or no error is known: {_first(names)}."
        )
    return said


def _first(names: list[str]) -> str:
    rest = len(names) - MOST_NAMED
    more = f" and {rest} more" if rest > 0 else ""
    return f"{', '.join(names[:MOST_NAMED])}{more}"
