"""A sampling plan as plain text that a metallurgist reads at a glance."""

from __future__ import annotations

from service.kit.figures import plain, plus_minus, value_and_sd
from service.kit.plain_table import Column, paragraph, table, visible

from .reply import CandidateResult, CheckResult, Placed, SamplingPlanReply, TargetResult

MOST_LISTED = 15
"""Candidates shown; the reply holds all of them."""

_VERBS = {"addition": "read", "repeat": "repeat", "improvement": "improve"}


def _place(of: Placed) -> str:
    where = " + ".join(of.streams) or f"{of.stock} ({of.at})"
    return f"{where}, {' + '.join(of.periods)}" if of.periods else where


def _unit(of: Placed) -> str:
    return f" {of.unit}" if of.unit else ""


def _sd(sd: float | None, of: Placed) -> str:
    return "unknown" if sd is None else f"{sd:.2g}{_unit(of)}"


def _target_name(target: TargetResult) -> str:
    if target.figure == "yield":
        return f"yield of {_place(target)}"
    to = "recovery of " if target.figure == "recovery" else ""
    return f"{to}{target.of}, {_place(target)}"


def _targets(reply: SamplingPlanReply) -> list[str]:
    if not reply.targets:
        return []
    rows = reply.targets
    columns = [
        Column("value", [_value(t) for t in rows]),
        Column("sd now", [_sd(t.sd, t) for t in rows]),
        Column("sd with the plan", [_sd(t.sd_after, t) for t in rows]),
        Column("sd wanted", ["" if t.wanted_sd is None else _sd(t.wanted_sd, t) for t in rows]),
        Column("reached", ["" if t.reached is None else _yes(t.reached) for t in rows]),
    ]
    return table([_target_name(t) for t in rows], columns, "Targets")


def _value(target: TargetResult) -> str:
    if target.value is None:
        return "undefined"
    shown, _ = value_and_sd(target.value, target.sd or target.sd_after)
    return f"{shown}{_unit(target)}" if target.known else f"({shown}{_unit(target)})"


def _yes(told: bool) -> str:
    return "yes" if told else "no"


def _power(power: float) -> str:
    return f"{power:.3f}"


def _checks(reply: SamplingPlanReply) -> list[str]:
    rows: list[CheckResult] = reply.checks
    if not rows:
        return []
    columns = [
        Column("bias", [f"{c.bias:.3g}{_unit(c)}" for c in rows]),
        Column("power now", [_power(c.power) for c in rows]),
        Column("power with the plan", [_power(c.power_after) for c in rows]),
        Column("smallest bias now", [_bias(c.smallest_bias, c) for c in rows]),
        Column("smallest bias with the plan", [_bias(c.smallest_bias_after, c) for c in rows]),
    ]
    return table([f"{c.of}, {_place(c)}" for c in rows], columns, "Readings")


def _bias(bias: float | None, of: Placed) -> str:
    return "unchecked" if bias is None else f"{bias:.3g}{_unit(of)}"


def _plan(reply: SamplingPlanReply) -> list[str]:
    if not reply.plan and not reply.budget:
        return []
    if not reply.plan:
        return [f"Nothing to take within a budget of {plain(reply.budget)}."]
    columns = [
        Column("cost", [plain(step.cost) for step in reply.plan]),
        Column("spent", [plain(step.spent) for step in reply.plan]),
        *(
            Column(
                f"sd of {_target_name(target)}",
                [_sd(step.sds_after[k], target) for step in reply.plan],
            )
            for k, target in enumerate(reply.targets)
        ),
    ]
    if reply.checks:
        columns += [
            Column("readings reached", [str(s.after.reached) for s in reply.plan]),
            Column("least power", [_power(s.after.least_power or 0.0) for s in reply.plan]),
            Column("mean power", [_power(s.after.mean_power or 0.0) for s in reply.plan]),
        ]
    named = f"Plan, {plain(reply.cost)} of {plain(reply.budget)}"
    return table([step.what for step in reply.plan], columns, named)


def _name(candidate: CandidateResult) -> str:
    return f"{_VERBS[candidate.kind]} {candidate.of}, {_place(candidate)}"


def _expected(candidate: CandidateResult) -> str:
    cell = plus_minus(candidate.expected, candidate.sd)
    return cell if candidate.known else f"({cell})"


def _gain(gain: float | None, makes_known: int) -> str:
    return f"makes {makes_known} known" if gain is None else f"{gain:.3g}"


def _candidates(reply: SamplingPlanReply) -> list[str]:
    rows = reply.candidates[:MOST_LISTED]
    if not rows:
        return []
    columns = [
        Column("would read", [_expected(c) for c in rows]),
        Column("unit", [c.unit or "" for c in rows]),
        Column("cost", [plain(c.cost) for c in rows]),
        Column("gain", [_gain(c.gain, c.makes_known) for c in rows]),
        Column("gain per cost", [_gain(c.gain_per_cost, c.makes_known) for c in rows]),
        Column("planned", [str(c.planned) if c.planned else "" for c in rows]),
    ]
    lines = table([_name(c) for c in rows], columns, "Candidates")
    rest = len(reply.candidates) - len(rows)
    return [*lines, f"and {rest} more, each with less gain for its cost."] if rest else lines


def as_text(reply: SamplingPlanReply) -> str:
    """
    Give the plan as text no wider than 100 columns, except for a single word that is.

    Values in brackets are guesses to plan with.
    """
    head = [line for told in (reply.title, reply.note) if told for line in paragraph(told)]
    sections = [
        head,
        _targets(reply),
        _checks(reply),
        _plan(reply),
        _candidates(reply),
        [line for sentence in reply.statements for line in paragraph(sentence, "  ")],
        [line for said in reply.warnings for line in paragraph(f"Warning: {said}", "  ")],
        paragraph(visible(reply.notice)),
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"
