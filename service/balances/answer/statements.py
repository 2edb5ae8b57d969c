"""What should be known to read a balance, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.balance import SharedError
from reconcile.readings import Limit
from service.balances.reply import ESTIMATOR
from service.balances.schemas import CauseObject
from service.balances.terms.asked import OXIDES
from service.kit.figures import signed, value_and_sd
from service.kit.replies import Members

from .terms import PERCENT, Answering

_ROBUST = {
    "huber": "Readings count in proportion to their misfit beyond 1.345 standard deviations "
    "(Huber).",
    "bisquare": "Readings count less the worse they fit, and for nothing beyond 4.685 standard "
    "deviations (bisquare, started from Huber).",
}
_LIMITS = (
    "A result below or above a limit counts by the probability that a measurement falls beyond "
    "it (the logarithm of the normal tail), not as a number."
)
_LIMITS_AND_TEST = (
    "{count} a limit: it moves the estimate, but counts neither in the test's statistic nor as a "
    "degree of freedom."
)
_IRON = (
    "Iron is reported as Fe2O3, with more oxygen than ferrous minerals hold, so totals above "
    "100 % are to be expected; the same oxygen makes the loss on ignition negative. No total is "
    "forced to 100 %."
)
_LAST_RESORT = (
    "{count} an sd from how laboratories differ at large, a last resort: far too wide for X-ray "
    "fluorescence of major oxides in fused beads."
)
_SURE = 2.0
"""Standard deviations from which a difference is called one (about 95 %)."""


def estimator_of(it: Answering) -> str:
    """Say how the balance was estimated."""
    options = it.intake.request.options
    said = [ESTIMATOR]
    if options is not None and options.robust is not None:
        said.append(_ROBUST[options.robust])
    if any(entry.limit is not None for entry in it.intake.terms.entries):
        said.append(_LIMITS)
    return " ".join(said)


def _count(number: int, verb: tuple[str, str]) -> str:
    return f"1 reading {verb[0]}" if number == 1 else f"{number} readings {verb[1]}"


def statements_of(it: Answering) -> list[str]:
    """Give the sentences that apply."""
    entries, request = it.intake.terms.entries, it.intake.request
    said = [*_left_out(it), *_unaccounted(it), *_oxide_totals(it), *_alike(it)]
    limits = sum(entry.limit in (Limit.BELOW, Limit.ABOVE) for entry in entries)
    if limits:
        said.append(_LIMITS_AND_TEST.format(count=_count(limits, ("is", "are each"))))
    laboratories = sum(reading.interlaboratory for reading in request.readings)
    if laboratories:
        said.append(_LAST_RESORT.format(count=_count(laboratories, ("takes", "take"))))
    return said


def _left_out(it: Answering) -> Iterator[str]:
    for entry in it.intake.terms.entries:
        if entry.left_out is None:
            continue
        value = "" if entry.value is None else f" ({entry.value:.6g} {entry.unit})"
        yield (
            f"Left out by decision of the request: {entry.words} of {entry.place.words}{value}: "
            f"{entry.left_out.rstrip('.')}."
        )


def _unaccounted(it: Answering) -> Iterator[str]:
    for wire in it.sheet.wire.streams:
        if wire.kind != "unaccounted":
            continue
        for period in it.sheet.periods:
            mass = it.balance.masses[it.sheet.unrolled.streams[wire.name, period]]
            where = f" in {period}" if period is not None else ""
            if mass.value is None:
                yield f"The unaccounted difference '{wire.name}'{where} cannot be known."
                continue
            unit = f" {it.mass_unit}" if it.mass_unit else ""
            shown, sd = value_and_sd(mass.value, mass.sd)
            sign = "+" if mass.value > 0 else ""
            judged = ""
            if mass.sd:
                sds = abs(mass.value) / mass.sd
                judged = f", {sds:.1f} times its standard deviation: " + (
                    "more than errors of reading explain"
                    if sds > _SURE
                    else "no more than errors of reading explain"
                )
            error = f" ± {sd}" if sd else ""
            yield (
                f"The unaccounted difference '{wire.name}'{where} is {sign}{shown}{error}{unit} of "
                f"dry solids{judged}."
            )


def _alike(it: Answering) -> Iterator[str]:
    """Say what was taken to have the same grades."""
    told: dict[str, None] = {}
    for wire in it.sheet.wire.likenesses:
        names = [" + ".join(f"'{name}'" for name in one.stream) for one in wire.streams]
        relative = [one.relative_sd or wire.relative_sd or 0.0 for one in wire.streams]
        widest = max(relative, default=0.0)
        within = f", each within {PERCENT * widest:.2g} % of them (one sd)" if widest else ""
        told[f"Taken to have the same grades{within}: {', '.join(names)}."] = None
    yield from told


def _oxide_totals(it: Answering) -> Iterator[str]:
    totals = {
        key[1]: known.value
        for key in it.asked.at
        if key[0] == OXIDES and (known := it.answered(key)).value is not None
    }
    if not totals:
        return
    name = max(totals, key=lambda stream: totals[stream] or 0.0)
    highest = PERCENT * (totals[name] or 0.0)
    formulas = {a.formula or a.name for a in it.sheet.wire.analytes}
    if highest > PERCENT and "Fe2O3" in formulas:
        yield f"Oxides total up to {highest:.4g} % ('{name}'). {_IRON}"


def shared_errors_of(it: Answering) -> list[Members]:
    """Give the estimate of each shared error, in words too."""
    causes = {cause.name: cause for cause in it.intake.request.causes}
    return [
        {
            "name": shared.name,
            "value": shared.value,
            "sd": shared.sd,
            "statement": _shared(shared, causes.get(shared.name)),
        }
        for shared in it.balance.shared
    ]


def _shared(shared: SharedError, cause: CauseObject | None) -> str:
    own_sd = f"{signed(shared.value, shared.sd)} ± {shared.sd:.2g} of its standard deviation"
    if cause is None:
        return f"{shared.name}: {own_sd}."
    sizes = []
    if cause.sd:
        sizes.append(f"{_times(shared, cause.sd)} {cause.unit or ''}".rstrip())
    if cause.relative_sd:
        sizes.append(f"{_times(shared, PERCENT * cause.relative_sd)} % of the value")
    return f"{shared.name}: {own_sd}, that is {' and '.join(sizes)}."


def _times(shared: SharedError, size: float) -> str:
    value, sd = value_and_sd(shared.value * size, shared.sd * size)
    return f"{'' if value.startswith('-') else '+'}{value}{f' ± {sd}' if sd else ''}"
