"""The whole answer: from the engine's balance to the reply on the wire."""

from __future__ import annotations

import numpy as np

from reconcile import SOLIDS, Balance, Known, Outcome
from reconcile.balance import Wanted
from reconcile.columns import NamedColumns
from reconcile.flowsheet import SIZES, Part, Quantity
from reconcile.metallurgy.question import Answer
from service.balances.intake import Intake
from service.balances.reply import NOTICE, TOLERANCE
from service.balances.terms.asked import Asked
from service.balances.warnings import warnings_of
from service.kit.blanks import Form, blank
from service.kit.replies import Members, members_of
from service.kit.strict_json import pointer
from service.kit.units import UNITS

from .care import care_of
from .evidence import evidence_of
from .figures import figures_in
from .layout import KNOWN, Layout, layout_of
from .performance import performance_of
from .readings import readings_of
from .statements import estimator_of, shared_errors_of, statements_of
from .streams import stocks_of, streams_of
from .terms import Answering, times


def _of(quantity: Quantity) -> tuple[str, str | None]:
    """Give what a quantity is of and its size class, if it is of one."""
    return (quantity.of, quantity.size) if isinstance(quantity, Part) else (quantity, None)


class _Shares:
    """The places of shares in a table of them."""

    def __init__(self, layout: Layout, table: NamedColumns[tuple[str, Quantity], Known]) -> None:
        self._layout = layout
        self._positions = dict(zip(table.names, table.positions, strict=True))

    def __call__(self, name: tuple[str, Quantity]) -> Members:
        """Give the members of a share with blanks for its figures."""
        position = self._positions[name]
        value, sd, knowledge = (blank(int(self._layout.of(place, position))) for place in KNOWN)
        return {"value": value, "sd": sd, "class": knowledge, "unit": "%"}


def _products(it: Answering, of: Quantity, share: _Shares) -> list[Members]:
    sheet, labels = it.sheet.flowsheet, it.labels
    return [
        {"product": labels[p.name][0], "period": labels[p.name][1]} | share((p.name, of))
        for p in sheet.products
        if sheet.holds(p, of) and not p.signed
    ]


def _recoveries(it: Answering) -> Form:
    share = _Shares(layout_of(it), it.balance.recoveries)
    return Form(
        [
            {"component": name, "products": _products(it, name, share)}
            for name in it.sheet.flowsheet.components
        ]
    )


def _recoveries_by_size(it: Answering) -> Form:
    sheet, share = it.sheet.flowsheet, _Shares(layout_of(it), it.balance.recoveries)
    if any(SIZES in altered for altered in sheet.alters.values()):
        return Form([])
    return Form(
        [
            {"of": of, "size": size, "products": _products(it, Part(of, size), share)}
            for of in ((SOLIDS, *sheet.sized) if sheet.classes else ())
            for size in sheet.classes
        ]
    )


def _splits(it: Answering) -> Form:
    splits, share = [], _Shares(layout_of(it), it.balance.splits)
    for node, period, quantity, leaving in it.sheet.partings:
        of, size = _of(quantity)
        shares = [{"stream": label} | share((stream, quantity)) for stream, label in leaving]
        splits.append({"node": node, "period": period, "of": of, "size": size, "streams": shares})
    return Form(splits)


def _closure(it: Answering) -> Members:
    worst = []
    for w in it.balance.closure:
        of, size = _of(w.of)
        worst.append(
            {
                "of": of,
                "size": size,
                "node": w.node,
                "imbalance": w.imbalance,
                "throughput": w.throughput,
                "unit": it.mass_unit,
                "relative": w.relative,
            }
        )
    return {"tolerance": TOLERANCE, "worst": worst}


def _test(balance: Balance) -> Members | None:
    test = balance.test
    if test is None:
        return None
    return {
        "statistic": test.statistic,
        "degrees_of_freedom": test.degrees_of_freedom,
        "p_value": test.p_value,
        "reference": test.reference,
    }


def _bounds(balance: Balance) -> list[Members]:
    bounds = []
    for b in balance.active_bounds:
        of, size = _of(b.of)
        bounds.append({"stream": b.stream, "of": of, "size": size, "bound": b.bound})
    return bounds


def _contents(it: Answering) -> list[Members]:
    contents = []
    for (component, analyte), estimate in it.balance.contents.items():
        unit = it.sheet.unit_of(analyte)
        factor = UNITS[unit].per_whole
        contents.append(
            {
                "reading": times(estimate.reading, factor),
                "reading_sd": times(estimate.reading_sd, factor),
                "value": times(estimate.value, factor),
                "sd": times(estimate.sd, factor),
                "adjustment": times(estimate.adjustment, factor),
                "standardised": estimate.standardised,
                "class": estimate.knowledge,
                "component": component,
                "analyte": analyte,
                "unit": unit,
            }
        )
    return contents


def _remedies(it: Answering) -> list[Members]:
    """Give what to read; the change of a stock is not read but follows from the stock."""
    changes = set(it.sheet.unrolled.changes.values())
    remedies = []
    for remedy in it.balance.remedies:
        sets = [
            [f"{candidate.of.name} of {_where(it, candidate.stream)}" for candidate in chosen]
            for chosen in remedy.sets
            if not any(candidate.stream in changes for candidate in chosen)
        ]
        unknown = [_wanted(it, wanted) for wanted in remedy.wanted if wanted.stream not in changes]
        if sets and unknown:
            remedies.append({"unknown": unknown, "readings": sets, "smallest": remedy.exact})
    return remedies


def _where(it: Answering, stream: str) -> str:
    name, period = it.labels[stream]
    return f"'{name}'" if period is None else f"'{name}' in {period}"


def _wanted(it: Answering, wanted: Wanted) -> str:
    if wanted.kind == "recovery":
        return f"recovery of {wanted.of} to {_where(it, wanted.stream)}"
    return f"{wanted.of} of {_where(it, wanted.stream)}"


def _second(it: Answering) -> Members | None:
    other = it.balance.alternative
    if other is None:
        return None
    origins = it.intake.terms.origins
    places = dict.fromkeys(pointer(origins[i]) for i in other.discounted if i < len(origins))
    return {"objective": other.objective, "discounted": list(places)}


def _outcome(balance: Balance) -> str:
    bounded = balance.outcome is Outcome.CLOSED_WITH_ACTIVE_BOUNDS
    return "closed with active bounds" if bounded else "closed"


def _untold(beyond: Answer) -> list[str]:
    """Say why what was asked beyond the balance is not told, if so."""
    if beyond.failure is None:
        return []
    return [f"What was separated and what needs care could not be worked out: {beyond.failure}."]


def answer(
    intake: Intake, asked: Asked, balance: Balance, beyond: Answer, engine_time_ms: float
) -> Members:
    """
    Give the members of the reply for a balance that closed, with what was asked ``beyond`` it.

    They are those of :class:`~service.balances.reply.BalanceReply`, in its order.  Assays come in
    their component's unit, masses in the flowsheet's, shares in percent.
    """
    # What runs out of range on the way into a unit is found when it is written.
    with np.errstate(all="ignore"):
        return _members(Answering(intake, asked, balance), beyond, engine_time_ms)


def _members(it: Answering, beyond: Answer, engine_time_ms: float) -> Members:
    request, balance = it.intake.request, it.balance
    care = care_of(it, beyond)
    readings = readings_of(it)
    figures = figures_in(it, readings)
    return {
        "title": request.title,
        "note": request.note,
        "outcome": _outcome(balance),
        "estimator": estimator_of(it),
        "statements": statements_of(it),
        "warnings": [*warnings_of(it), *_untold(beyond)],
        "streams": streams_of(it, figures),
        "stocks": stocks_of(it),
        "readings": readings.rows.filled(figures),
        "recoveries": it.kept("recoveries", lambda: _recoveries(it)).filled(figures),
        "recoveries_by_size": it.kept("recoveries by size", lambda: _recoveries_by_size(it)).filled(
            figures
        ),
        "splits": it.kept("splits", lambda: _splits(it)).filled(figures),
        "contents": _contents(it),
        "shared_errors": shared_errors_of(it),
        "remedies": _remedies(it),
        "second_optimum": _second(it),
        "closure": _closure(it),
        "test": _test(balance),
        "evidence": evidence_of(it),
        "performance": [members_of(series) for series in performance_of(it, beyond)],
        "care": None if care is None else members_of(care),
        "active_bounds": _bounds(balance),
        "solver": {
            "iterations": balance.iterations,
            "kkt_residual": balance.kkt_residual,
            "engine_time_ms": round(engine_time_ms, 3),
        },
        "notice": NOTICE,
    }
