"""What is asked of every test beyond its balance: what was separated, and what needs care."""

from __future__ import annotations

from typing import Any

from reconcile.metallurgy.order import Course, courses
from reconcile.metallurgy.passes import Network, Role
from service.balances.schemas import Work
from service.balances.schemas.performance import MOST_PRODUCTS, MOST_SERIES
from service.tests.schemas import PassObject, TestSheet

_WORK: dict[str, Work] = {
    "magnetic": "magnetic",
    "scalping": "magnetic",
    "electrostatic": "electrostatic",
    "heavy liquid": "heavy liquid",
}
_HANDLED = {Role.HEAD, Role.PRODUCT, Role.KEPT}
_RANK = {True: -1, None: 0, False: 1}
"""Of the trays of a pass, what the magnet took comes first."""


def tests_of(sheet: TestSheet, network: Network) -> tuple[Course, ...]:
    """Give the tests on a sheet, with their products in the order of the field."""
    rank = {
        product.name: _RANK[product.magnetic] for run in sheet.passes for product in run.products
    }
    return courses(network, rank)


def untold_of(sheet: TestSheet, network: Network) -> list[str]:
    """Say of which tests it is not told what was separated, since they are too large or many."""
    if sheet.performance is not None:
        return []
    tests = tests_of(sheet, network)
    large = [test for test in tests if len(test.products) > MOST_PRODUCTS]
    said = [
        f"What was separated from '{' + '.join(test.feed)}' is not told: it came to "
        f"{len(test.products)} trays, and {MOST_PRODUCTS} can be. Name some under 'performance'."
        for test in large
    ]
    more = len(tests) - len(large) - MOST_SERIES
    if more > 0:
        said.append(
            f"What was separated is told of the first {MOST_SERIES} tests of the sheet, and not of "
            f"{more} more. Name those wanted under 'performance'."
        )
    return said


def asked_of(sheet: TestSheet, network: Network) -> dict[str, Any]:
    """Give the members 'performance' and 'care' of the request for the balance."""
    if sheet.performance is None:
        told = [t for t in tests_of(sheet, network) if len(t.products) <= MOST_PRODUCTS]
        performance = [
            {"feed": list(test.feed), "products": list(test.products)}
            for test in told[:MOST_SERIES]
        ]
    else:
        performance = [s.model_dump(exclude_unset=True) for s in sheet.performance]
    care = sheet.care.model_dump(exclude_unset=True)
    if sheet.care.streams is None:
        care["streams"] = [flow.name for flow in network.flows if flow.role in _HANDLED]
    work = [*sheet.care.work, *(w for run in sheet.passes if (w := _work(run)) is not None)]
    care["work"] = list(dict.fromkeys(work))
    return {"performance": performance, "care": care}


def _work(run: PassObject) -> Work | None:
    """Give what was worked with, by the kind of pass or by what was set."""
    if run.kind in _WORK:
        return _WORK[run.kind]
    set_ = run.settings
    return "magnetic" if set_.field is not None or set_.coil_current is not None else None
