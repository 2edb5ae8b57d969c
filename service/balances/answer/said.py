"""What was separated, in sentences; figures as in the plain-text table."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile import GlobalTest, Knowledge, Known
from service.balances.reply import (
    Figure,
    HeadComparison,
    Makeup,
    SeparationFigures,
    SeparationPlace,
    Share,
)
from service.kit.figures import p_value, plus_minus, signed, value_and_sd

NOTABLE = 0.05
"""A p-value below this is worth a word; the usual level of tests in the trade."""

TRACE = 0.05
"""Shares of a product in percent below which a part of it is a trace, unless it is surely there."""

_SURE = 2.0
"""Standard deviations from which something is surely there (about 95 %)."""

_VAGUE = 10.0
"""Times the reading's sd from which what is calculated hardly checks it."""

_MOST_DILUENTS = 4


def _shown(figure: Figure | Share) -> str:
    if figure.value is None:
        return "an unknown amount" if figure.class_ is Knowledge.UNOBSERVABLE else "undefined"
    unit = "" if figure.unit == "1" else f" {figure.unit}"
    return f"{plus_minus(figure.value, figure.sd)}{unit}"


def doubt_of(test: GlobalTest | None) -> list[str]:
    """Say that errors are doubtful where the readings contradict one another."""
    if test is None or test.p_value is None or test.p_value >= NOTABLE:
        return []
    said = (
        "The readings contradict one another by more than their stated errors allow "
        f"({p_value(test.p_value)}): a reading is wrong or errors are larger than stated, so take "
        "no figure here as sure as its standard deviation says, and see what may be wrong."
    )
    return [said]


def about_series(
    elsewhere: Share, separations: Sequence[SeparationFigures], test: GlobalTest | None
) -> list[str]:
    """Say what share of the feed is in no product, how sure figures are and how reckoned."""
    said = doubt_of(test)
    if elsewhere.value is None:
        said.append("What share of the feed's solids is in none of these products is not known.")
    elif elsewhere.sd == 0 and elsewhere.value == 0:
        said.append("These products make up the whole feed.")
    elif elsewhere.value < 0:
        more = elsewhere.model_copy(update={"value": -elsewhere.value})
        said.append(f"These products hold {_shown(more)} more solids than the feed.")
    else:
        said.append(
            f"{_shown(elsewhere)} of the feed's solids is in none of these products, so the sums "
            "do not reach 100 %."
        )
    reckoned = [s.of for s in separations if s.pure is not None and s.size is None]
    if reckoned:
        said.append(
            "Separation efficiency is the recovery of the mineral less that of its gangue (Schulz "
            f"1970), reckoned for {', '.join(reckoned)}. The content of the pure mineral is taken "
            "as exact."
        )
    without = [
        s.of for s in separations if s.pure is None and s.size is None and s.basis == "component"
    ]
    if without:
        said.append(
            f"No separation efficiency for {', '.join(without)}: give the 'theoretical' content of "
            "the mineral that carries it."
        )
    return said


def about_separation(
    of: str,
    size: str | None,
    head: Figure,
    places: Sequence[SeparationPlace],
    yields: Sequence[Share],
) -> str:
    """Say which product collects it, at what grade, and which holds the most if that is another."""
    name = of if size is None else f"{of} in {size}"
    known = [
        (p, ahead(p.recovery, y))
        for p, y in zip(places, yields, strict=True)
        if p.recovery.value is not None
    ]
    if not known:
        if any(p.recovery.class_ is Knowledge.UNDEFINED for p in places):
            return f"{name}: the feed holds none of it, or less than none, so shares mean nothing."
        return f"{name}: where it went cannot be known from what was read."
    best, _ = max(known, key=lambda pair: pair[1])
    most, _ = max(known, key=lambda pair: pair[0].recovery.value or 0.0)
    grade = "" if best.grade.value is None else f" at {_shown(best.grade)}"
    ratio = "" if best.enrichment.value is None else f", {_shown(best.enrichment)} times the head"
    if head.value is None:
        ratio = ""
    efficiency = best.separation_efficiency
    parted = ""
    if efficiency is not None and efficiency.value is not None:
        parted = f"; separation efficiency {_shown(efficiency)}"
    other = "" if most is best else f"; most of it, {_shown(most.recovery)}, is in '{most.product}'"
    held = f"'{best.product}' holds {_shown(best.recovery)} of it"
    return f"{name}: {held}{grade}{ratio}{parted}{other}."


def ahead(recovery: Share, share: Share) -> float:
    """Give how far something runs ahead of the solids in a product, in percent of the feed."""
    return (recovery.value or 0.0) - (share.value or 0.0)


def about_curve(of: str, begins_with: str, *, last: bool, head: Known, pure: float | None) -> str:
    """Say from which end the curve runs, and why a limit is not drawn."""
    said = (
        f"{of} collects over the last products, so they are added up from '{begins_with}' back."
        if last
        else f"{of} is added up from '{begins_with}' on."
    )
    if pure is not None and head.value is not None and pure <= head.value:
        said += (
            " The head is as rich as the pure mineral is said to be, so perfect separation has no "
            "curve."
        )
    return said


def about_head(it: HeadComparison, because: str | None, compared: int) -> str:
    """Say whether a head as read and as calculated agree, one of so many ``compared``."""
    unit = f" {it.unit}" if it.unit else ""
    name = f"{'Weight' if it.of == 'mass' else it.of} of '{it.stream}'"
    if because is not None or it.calculated is None or it.difference is None:
        return f"{name}: not compared, since {because}."
    read = f"{plus_minus(it.assayed or 0.0, it.assayed_sd)}{unit}"
    calculated = f"{plus_minus(it.calculated, it.calculated_sd)}{unit}"
    _, error = value_and_sd(it.difference, it.difference_sd)
    difference = f"{signed(it.difference, it.difference_sd)} ± {error}{unit}"
    alone, among = it.p_value or 0.0, it.among_all or 0.0
    if (it.calculated_sd or 0.0) > _VAGUE * (it.assayed_sd or 0.0):
        judged = "all else hardly tells it"
    elif alone >= NOTABLE:
        judged = "they agree"
    elif among >= NOTABLE:
        judged = f"they differ, though no more than one of {compared} compared may by chance"
    else:
        judged = "they differ by more than the stated errors explain"
        judged += f", even for one of {compared} compared" if compared > 1 else ""
    return (
        f"{name}: read {read}, calculated {calculated}; {judged} (difference {difference}, "
        f"{p_value(alone)})."
    )


def about_makeup(it: Makeup) -> str:
    """Say what a product is, and what dilutes it."""
    known = [part for part in it.parts if part.share.value is not None]
    if not known:
        return f"What '{it.product}' is made of cannot be known from what was read."
    first = known[0]
    is_mineral = it.basis == "mineral"
    said = f"'{it.product}' {'is' if is_mineral else 'holds'} {_shown(first.share)} {first.of}"
    beside = [part for part in known[1:] if _matters(part.share)]
    if beside:
        listed = ", ".join(f"{_shown(p.share)} {p.of}" for p in beside[:_MOST_DILUENTS])
        more = len(beside) - _MOST_DILUENTS
        lead = "; beside it " if is_mineral else ", "
        said += f"{lead}{listed}{f' and {more} more' if more > 0 else ''}"
    if _matters(it.rest):
        said += f"; {_shown(it.rest)} is none of what was followed"
    unknown = [part.of for part in it.parts if part.share.value is None]
    if unknown:
        said += f"; how much {', '.join(unknown)} it holds is not known"
    return f"{said}."


def _matters(share: Share) -> bool:
    """Say whether a share is surely there, or too large to be passed over."""
    if share.value is None:
        return False
    return share.value > max(TRACE, _SURE * (share.sd or 0.0)) or share.value > 1.0
