"""From the engine's plan to the reply: names, units, sentences."""

from __future__ import annotations

from collections import Counter
from typing import Any

from reconcile.evidence.sampling import Precision, Promise, SamplingPlan
from service.balances.terms.places import Place
from service.kit.strict_json import pointer
from service.kit.units import convert

from .reply import (
    RANKING,
    CandidateResult,
    Certificate,
    CheckResult,
    SamplingPlanReply,
    Standing,
    StepResult,
    TargetResult,
)
from .schemas import SamplingPlanRequest
from .sentences import in_words, statements, warnings
from .terms import PERCENT, Aim, Asked

_ROUNDING = 1e-9
"""A gap below this is none."""


def answer(request: SamplingPlanRequest, asked: Asked, plan: SamplingPlan) -> SamplingPlanReply:
    """Give the reply to a request that was planned."""
    return _Answering(request, asked, plan).reply()


def _placed(place: Place) -> dict[str, Any]:
    return {
        "streams": list(place.streams),
        "periods": [period for period in place.periods if period is not None],
        "stock": place.stock,
        "at": place.at,
    }


class _Answering:
    """One plan on its way to the reply."""

    def __init__(self, request: SamplingPlanRequest, asked: Asked, plan: SamplingPlan) -> None:
        self.request = request
        self.asked = asked
        self.plan = plan
        self.rank = {worth.prospect: k for k, worth in enumerate(plan.worths)}
        self.planned = Counter(step.prospect for step in plan.steps)
        self.entries = {e.at[0]: e for e in asked.terms.entries if e.at}

    @property
    def _is_detection(self) -> bool:
        return self.asked.question.detection is not None

    def reply(self) -> SamplingPlanReply:
        """Give the whole."""
        certificate = self._certificate()
        return SamplingPlanReply(
            title=self.request.title,
            note=self.request.note,
            budget=self.request.budget,
            cost=self.plan.cost,
            before=self._standing(self.plan.before),
            after=self._standing(self.plan.after),
            certificate=certificate,
            targets=[self._target(*pair) for pair in self._pairs()],
            checks=self._checks(),
            plan=self._steps(),
            candidates=self._candidates(),
            statements=statements(self.asked, self.plan, certificate),
            warnings=warnings(self.asked, self.plan),
        )

    def _pairs(self) -> list[tuple[Aim, Promise]]:
        return list(zip(self.asked.aims, self.plan.promises, strict=True))

    def _standing(self, state: Precision) -> Standing:
        if self._is_detection:
            least, mean = 1 - state.index, 1 - state.mean
            return Standing(
                unknown=0, index=None, reached=state.reached, least_power=least, mean_power=mean
            )
        index = None if state.unknown else state.index
        return Standing(
            unknown=state.unknown, index=index, reached=None, least_power=None, mean_power=None
        )

    def _certificate(self) -> Certificate:
        method = str(self.plan.method)
        if not self.request.budget:
            return Certificate(method=RANKING, bound=None, gap=None)
        bound, index = self.plan.bound, self.plan.after.index
        if bound is None or self.plan.after.unknown:
            return Certificate(method=method, bound=None, gap=None)
        detection = self.asked.question.detection
        if detection is not None and detection.by_number:
            missing = max(bound - self.plan.after.reached, 0.0)
            return Certificate(method=method, bound=bound, gap=missing)
        if detection is not None:
            return Certificate(method=method, bound=1 - bound, gap=max(index - bound, 0.0))
        gap = PERCENT * (index / bound - 1) if bound > 0 else None
        gap = None if gap is None else max(gap, 0.0) if gap > _ROUNDING else 0.0
        return Certificate(method=method, bound=bound, gap=gap)

    @staticmethod
    def _target(aim: Aim, promise: Promise) -> TargetResult:
        def shown(value: float | None) -> float | None:
            return None if value is None else value * aim.per

        wanted = aim.wire.sd
        after = shown(promise.after)
        return TargetResult(
            **_placed(aim.place),
            of=aim.words,
            unit=aim.unit,
            pointer=pointer(aim.where),
            figure=aim.wire.figure,
            value=shown(promise.value),
            known=promise.sure,
            sd=shown(promise.before),
            sd_after=after,
            wanted_sd=wanted,
            reached=None if wanted is None else after is not None and after <= wanted,
            reference_sd=promise.reference * aim.per,
            within_reach=promise.within_reach,
        )

    def _checks(self) -> list[CheckResult]:
        detection = self.asked.question.detection
        if detection is None:
            return []
        results = []
        for check in self.plan.checks:
            entry = self.entries[check.reading]
            place = _placed(entry.place)
            per = convert(1.0, entry.base, entry.unit)
            least = [check.smallest_before, check.smallest_after]
            before, after = (None if b is None else b * per for b in least)
            results.append(
                CheckResult(
                    **place,
                    of=entry.words,
                    unit=entry.unit,
                    pointer=pointer(entry.where),
                    bias=check.bias * per,
                    power=check.before,
                    power_after=check.after,
                    reached=check.after >= detection.power,
                    smallest_bias=before,
                    smallest_bias_after=after,
                )
            )
        return results

    def _sds(self, after: tuple[float | None, ...]) -> list[float | None]:
        if self._is_detection:
            return []
        pairs = zip(after, self.asked.aims, strict=True)
        return [None if sd is None else sd * aim.per for sd, aim in pairs]

    def _steps(self) -> list[StepResult]:
        steps, spent = [], 0.0
        for step in self.plan.steps:
            offer = self.asked.offers[step.prospect]
            spent += offer.prospect.cost
            steps.append(
                StepResult(
                    candidate=pointer(("candidates", self.rank[step.prospect])),
                    what=in_words(offer),
                    cost=offer.prospect.cost,
                    spent=spent,
                    sds_after=self._sds(step.after),
                    after=self._standing(step.state),
                )
            )
        return steps

    def _candidates(self) -> list[CandidateResult]:
        results = []
        for worth in self.plan.worths:
            offer = self.asked.offers[worth.prospect]
            cost = offer.prospect.cost
            results.append(
                CandidateResult(
                    **_placed(offer.place),
                    of=offer.words,
                    unit=offer.unit,
                    kind=offer.kind,
                    pointer=None if offer.where is None else pointer(offer.where),
                    expected=offer.shown(worth.expected),
                    known=worth.sure,
                    sd=offer.shown(worth.sd),
                    sd_from=offer.prospect.origin,
                    cost=cost,
                    at_most=offer.prospect.most,
                    sds_after=self._sds(worth.after),
                    after=self._standing(worth.state),
                    makes_known=worth.opens,
                    gain=worth.gain,
                    gain_per_cost=None if worth.gain is None else worth.gain / cost,
                    planned=self.planned[worth.prospect],
                )
            )
        return results
