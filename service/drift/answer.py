"""From what the engine found to the reply: names, units, sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reconcile.drift import Drift
from reconcile.evidence.drift.found import TELLING, Findings, FoundBias, FoundSpread
from reconcile.evidence.drift.found import Rival as FoundRival
from reconcile.evidence.drift.search import Stray
from reconcile.evidence.drift.variances import TELLABLE
from service.kit.figures import value_and_sd

from .reply import (
    Charting,
    Course,
    DriftReply,
    InstrumentReport,
    ModelCheck,
    Path,
    Rival,
    SdCheck,
    ShiftCount,
    Slip,
    SustainedBias,
    Verdict,
    WrongSd,
)
from .schemas import DriftOptionsObject, DriftRequest
from .sizes import PERCENT, Shown, shown, side, size_in_words
from .terms import SeriesTerms

NORMAL = 1.959963984540054
"""The 97.5 % point of the standard normal distribution."""

SURE = 2.5758293035489004
"""The 99.5 % point: an error model is contradicted beyond so many sds of its ratio."""

DOUBTFUL = 0.01
"""A chance above which a sentence tells it."""

SERIAL = 4.0
"""Standard deviations from which shifts are said to hang together."""

_NOTHING = "Nothing checks it."
_WEAK = "So little checks it that the series tells its sd to no better than a half of itself."


@dataclass(frozen=True)
class Telling:
    """One series on its way to the reply."""

    request: DriftRequest
    terms: SeriesTerms
    drift: Drift
    findings: Findings

    @cached_property
    def instruments(self) -> list[Shown]:
        """The instruments, in the order of the findings."""
        return shown(self.terms, self.drift)

    @property
    def options(self) -> DriftOptionsObject:
        """The options asked for, or all left out."""
        return self.request.options or DriftOptionsObject()

    @property
    def count(self) -> int:
        """How many shifts have a balance."""
        return len(self.drift.kept)

    @cached_property
    def charts(self) -> int:
        """How many charts there are."""
        return int(self.findings.groups.max(initial=-1)) + 1

    def shift(self, position: int) -> str:
        """Give the name of a shift that has a balance."""
        return self.request.shifts[self.drift.kept[position]].name


def answer(it: Telling, engine_time_ms: float) -> DriftReply:
    """Give the reply."""
    return DriftReply(
        title=it.request.title,
        note=it.request.note,
        shifts=it.count,
        left_out=[
            ShiftCount(shift=it.request.shifts[one.shift].name, reason=one.failure.reason)
            for one in it.drift.left_out
        ],
        bounded=it.drift.bounded,
        charting=_charting(it),
        biases=[_bias(it, found) for found in it.findings.biases],
        slips=[_slip(it, stray) for stray in it.findings.strays],
        wrong_sds=[_wrong_sd(it, found) for found in it.findings.spreads],
        error_models=[_model_check(it, k) for k in range(len(it.terms.models))],
        instruments=[_report(it, g) for g in range(len(it.instruments))],
        statements=[*_statements(it)],
        warnings=[*_warnings(it)],
        engine_time_ms=engine_time_ms,
    )


def _charting(it: Telling) -> Charting | None:
    if not it.charts:
        return None
    chart = it.findings.chart
    quiet = min(float(chart.quiet(it.count)[-1]), 1.0)
    return Charting(
        average_run_length=it.options.average_run_length,
        design_shift=it.options.design_shift,
        charts=it.charts,
        run_length_each=chart.average_of_both(),
        allowance=chart.allowance,
        limit=chart.limit,
        false_alarm=float(-np.expm1(2 * it.charts * np.log(quiet))),
    )


def _bias(it: Telling, found: FoundBias) -> SustainedBias:
    bias = found.bias
    one = it.instruments[bias.instrument]
    window = slice(bias.start, bias.stop)
    size = one.size(found.size, found.sd, window)
    ends = bias.stop < it.count
    told = SustainedBias(
        instrument=one.name,
        statement="",
        course=_course(found),
        ramp_odds=found.ramp_odds,
        since=it.shift(bias.start),
        since_earliest=it.shift(found.earliest),
        since_latest=it.shift(found.latest),
        until=it.shift(bias.stop - 1) if ends else None,
        told_at=it.shift(bias.alarm),
        size=size,
        chance=found.chance,
        rivals=[_rival(it, rival, window) for rival in found.rivals],
    )
    return told.model_copy(update={"statement": " ".join(_bias_in_words(told, one))})


def _course(found: FoundBias) -> Course:
    twenty = float(np.exp(TELLING / 2))
    if found.ramp_odds > twenty:
        return "ramp"
    return "jump" if found.ramp_odds < 1 / twenty else "jump or ramp"


def _rival(it: Telling, rival: FoundRival, window: slice | None) -> Rival:
    one = it.instruments[rival.instrument]
    size = None if window is None else one.size(rival.size, None, window)
    return Rival(instrument=one.name, odds=rival.odds, inseparable=rival.inseparable, size=size)


def _bias_in_words(told: SustainedBias, one: Shown) -> Iterator[str]:
    much, way = size_in_words(told.size), side(told.size)
    since = f"'{told.since}' ('{told.since_earliest}' to '{told.since_latest}')"
    name = one.name[:1].upper() + one.name[1:]
    if told.course == "ramp":
        by = f" by '{told.until}', when it ended" if told.until else ""
        yield f"{name} crept {way} from about {since} and reads {much} {way}{by}; {one.advice}."
    elif told.until:
        yield f"{name} read {much} {way} from about {since} to '{told.until}'; {one.advice}."
    else:
        yield f"{name} reads {much} {way} since about {since}; {one.advice}."
    if told.course == "jump or ramp":
        yield "Whether it jumped or crept cannot be told."
    twins = [r for r in told.rivals if r.inseparable]
    if twins:
        yield f"It may as well be {_listed(twins)}: such shifts hardly tell them apart."
    close = [r for r in told.rivals if not r.inseparable]
    if close:
        yield f"Nearly as likely is {_listed(close)}; check them together."
    if told.chance > DOUBTFUL:
        rate = f"{PERCENT * told.chance:.2g} %"
        yield f"A series with nothing wrong shows as much in {rate} of cases."


def _listed(rivals: list[Rival]) -> str:
    parts = []
    for rival in rivals:
        much = f", {size_in_words(rival.size)} {side(rival.size)}" if rival.size else ""
        parts.append(f"{rival.instrument}{much} (odds {rival.odds:.2g} to 1 against it)")
    return " or ".join(parts)


def _slip(it: Telling, stray: Stray) -> Slip:
    one, shift = it.instruments[stray.instrument], it.shift(stray.shift)
    way = "above" if stray.z > 0 else "below"
    name = one.name[:1].upper() + one.name[1:]
    return Slip(
        instrument=one.name,
        shift=shift,
        standardised=stray.z,
        statement=f"{name} in '{shift}' is {abs(stray.z):.1f} sd {way} what the rest of that shift "
        "allows: look for a slip, and read it again if that is still possible.",
    )


def _wrong_sd(it: Telling, found: FoundSpread) -> WrongSd:
    one = it.instruments[found.instrument]
    stated, percent = one.sd_of(), one.percent_of()
    told = WrongSd(
        instrument=one.name,
        statement="",
        ratio=found.ratio,
        ratio_sd=found.sd,
        stated_sd=stated,
        proposed_sd=None if stated is None else stated * found.ratio,
        unit=one.unit,
        stated_percent=percent,
        proposed_percent=None if percent is None else percent * found.ratio,
        chance=found.chance,
        rivals=[_rival(it, rival, None) for rival in found.rivals],
    )
    said = " ".join(_wrong_sd_in_words(told, int(it.findings.seen[found.instrument])))
    return told.model_copy(update={"statement": said})


def _wrong_sd_in_words(told: WrongSd, shifts: int) -> Iterator[str]:
    way = "small" if told.ratio > 1 else "large"
    if told.stated_percent is not None and told.proposed_percent is not None:
        was, by = told.stated_percent, "% of the reading"
    elif told.stated_sd is not None:
        was, by = told.stated_sd, told.unit or ""
    else:
        was, by = 1.0, "times as much"
    value, error = value_and_sd(was * told.ratio, was * told.ratio_sd)
    stated = f", {was:.2g} {by}," if told.stated_sd is not None or was != 1.0 else ""
    yield (
        f"The stated sd of {told.instrument}{stated} is too {way}: the {shifts} shifts in which it "
        f"was checked say {value} ± {error} {by}."
    )
    if told.rivals:
        names = " or ".join(rival.instrument for rival in told.rivals)
        yield f"It may be the sd of {names} instead."
    if told.chance > DOUBTFUL:
        yield f"Right sds bring as much in {PERCENT * told.chance:.2g} % of cases."


def _model_check(it: Telling, k: int) -> ModelCheck:
    model, found = it.terms.models[k], it.drift.pooled
    variance, sd = (np.nan, np.nan) if found is None else (found.ratio[k], found.sd[k])
    subject = f"The sds of error model '{model.name}' ({len(model.subjects)} readings)"
    if not np.isfinite(sd) or sd / (2 * variance) > TELLABLE:
        return ModelCheck(
            name=model.name,
            readings=len(model.subjects),
            verdict="not told",
            ratio=None,
            low=None,
            high=None,
            statement=f"{subject} are not told by this series.",
        )
    low, high = (max(variance + side * NORMAL * sd, 0.0) ** 0.5 for side in (-1, 1))
    verdict: Verdict = "as stated"
    if abs(variance - 1) > SURE * sd:
        verdict = "too small" if variance > 1 else "too large"
    ratio = float(variance**0.5)
    words = "are as stated" if verdict == "as stated" else f"are {verdict}"
    return ModelCheck(
        name=model.name,
        readings=len(model.subjects),
        verdict=verdict,
        ratio=ratio,
        low=float(low),
        high=float(high),
        statement=f"{subject} {words}: the series says {ratio:.2f} ({low:.2f} to {high:.2f}) "
        "times as much.",
    )


def _path(it: Telling, g: int) -> Path | None:
    if not it.options.paths:
        return None
    z, sums = it.findings.standardised[:, g], it.findings.sums
    return Path(
        standardised=[None if np.isnan(one) else float(one) for one in z],
        upper=sums.upper[:, g].tolist(),
        lower=sums.lower[:, g].tolist(),
    )


def _report(it: Telling, g: int) -> InstrumentReport:
    one, found = it.instruments[g], it.findings
    group = int(found.groups[g])
    redundancy, watched = float(found.redundancy[g]), group >= 0
    alike = [other for other in np.flatnonzero(found.groups == group) if other != g and watched]
    return InstrumentReport(
        name=one.name,
        readings=[label.name for label in one.labels],
        shifts=int(found.seen[g]),
        redundancy=redundancy,
        watch="watched" if watched else "too weakly checked" if redundancy else "unchecked",
        peak=float(found.sums.peak[g]) if watched else None,
        delay=found.chart.average_of_both(redundancy**0.5) if watched else None,
        alike=[it.instruments[int(other)].name for other in alike],
        path=_path(it, g) if watched else None,
        sd=_sd_check(it, g),
    )


def _sd_check(it: Telling, g: int) -> SdCheck:
    found = it.findings
    if not found.joint.separable[g]:
        reason = _WEAK if found.redundancy[g] else _NOTHING
        return SdCheck(verdict="not told", ratio=None, low=None, high=None, reason=reason)
    variance, spread = float(found.joint.ratio[g]), NORMAL * float(found.joint.sd[g])
    contradicted = {s.instrument: s.ratio for s in found.spreads}
    verdict: Verdict = "as stated"
    if g in contradicted:
        verdict = "too small" if contradicted[g] > 1 else "too large"
    return SdCheck(
        verdict=verdict,
        ratio=variance**0.5,
        low=max(variance - spread, 0.0) ** 0.5,
        high=(variance + spread) ** 0.5,
        reason=None,
    )


def _statements(it: Telling) -> Iterator[str]:
    charting = _charting(it)
    if charting is None:
        yield "Nothing that was read is checked by anything else, so no drift can show."
        return
    alarms = f"once in {_rounded(charting.run_length_each)} shifts"
    each = f"each of {charting.charts} charts alarms {alarms}, all of them at most once in "
    each += _rounded(charting.average_run_length)
    yield (
        f"With nothing wrong {f'the one chart alarms {alarms}' if charting.charts == 1 else each}, "
        f"and a series of {it.count} shifts in at most "
        f"{PERCENT * charting.false_alarm:.2g} % of cases."
    )
    if not (it.findings.biases or it.findings.strays or it.findings.spreads):
        yield "No instrument is off, and no stated sd is contradicted."
    blind = int((it.findings.groups < 0).sum())
    if blind:
        yield (
            f"{blind} of {len(it.instruments)} instruments have no chart, since nothing or next "
            "to nothing checks them: they may drift unseen."
        )
    not_told = int((~it.findings.joint.separable).sum())
    if not_told:
        yield (
            f"The sd of {not_told} of {len(it.instruments)} instruments is not told by this series "
            f"to {PERCENT * TELLABLE:.0f} % of itself, and is taken as stated."
        )


def _rounded(shifts: float) -> str:
    """Write a run length to three digits."""
    return f"{float(f'{shifts:.3g}'):,.0f}"


def _warnings(it: Telling) -> Iterator[str]:
    if it.drift.left_out:
        count = len(it.drift.left_out)
        which = "1 shift has" if count == 1 else f"{count} shifts have"
        yield f"{which} no balance, and {'is' if count == 1 else 'are'} left out."
    correlation, sd = it.findings.serial
    if abs(correlation) > SERIAL * sd:
        yield (
            f"Residuals of neighbouring shifts hang together (correlation {correlation:.2f}): "
            "shifts are taken as independent, so charts alarm more often than they say, and the "
            "intervals are too narrow. Look for readings that are averages or carried over."
        )
    if not it.findings.complete:
        yield "So much is out of line that the search was ended before all of it was named."
