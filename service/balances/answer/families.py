"""The tests of the answer, the largest of each kind, with all their figures written in one go."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import orjson

from reconcile.findings import STATISTIC, Evidence, Family, Hypothesis
from service.kit.blanks import Figures, Line, blank, figures_of_list
from service.kit.replies import Members, Written

from .suspects import TEST, Naming

_IMBALANCE = Line(
    {
        name: blank(k)
        for k, name in enumerate(("imbalance", "sd", "unit", "statistic", "p_value", "adjusted"))
    }
)
"""What a test of nodes tells beside their names."""

_KEPT = "tests of nodes"
"""Where the beginnings of tests of nodes are kept."""

_MOST_KEPT = 500
"""Beginnings that are kept for the readings of one flowsheet."""

_NULL = b"null"

_SIZED, _UNSIZED = 5, 3
"""Figures of a test with size, sd, statistic and two p-values, and of one without the first two."""


@dataclass(frozen=True, slots=True)
class _Listed:
    """
    The tests of a family that are listed.

    ``begun`` are their objects as far as the first figure in their ``line``; ``numbers`` those of
    :class:`~reconcile.findings.Tried` in the units of the reply, one kind after the other.
    """

    line: Line
    begun: list[bytes]
    units: Figures
    numbers: list[float]

    def written(self, figures: Figures) -> Written:
        """Give them with their figures."""
        count = len(self.begun)
        columns = [figures[at : at + count] for at in range(0, len(figures), count or 1)]
        sizes = [[_NULL] * count] * (_SIZED - len(columns)) + columns[: len(columns) - _UNSIZED]
        return self.line.written(self.begun, [*sizes, self.units, *columns[-_UNSIZED:]])


def families_of(naming: Naming, found: Evidence, most: int) -> dict[str, Members | None]:
    """Give of each kind of test how many there are, and the ``most`` largest."""
    families = {
        "readings": found.readings,
        "shared": found.shared,
        "leaks": found.leaks,
        "exchanges": found.exchanges,
        "nodes": found.nodes,
        "groups": found.groups,
    }
    listed = {
        name: (_imbalances if name in ("nodes", "groups") else _suspects)(naming, family, most)
        for name, family in families.items()
        if family is not None
    }
    figures = figures_of_list([number for one in listed.values() for number in one.numbers])
    told: dict[str, Members | None] = dict.fromkeys(families)
    begin = 0
    for name, one in listed.items():
        end = begin + len(one.numbers)
        told[name] = _members(families[name], one.written(figures[begin:end]))
        begin = end
    return told


def _members(family: Family | None, tests: Written) -> Members | None:
    if family is None:
        return None
    return {
        "count": family.count,
        "critical": family.critical if isfinite(family.critical) else None,
        "alone": family.alone,
        "tests": tests,
    }


def _largest(numbers: list[list[float]], most: int) -> list[int]:
    """Give the places of the tests with the largest statistics, the largest first."""
    sizes = [abs(statistic) for statistic in numbers[STATISTIC]]
    return sorted(range(len(sizes)), key=sizes.__getitem__, reverse=True)[:most]


def _suspects(naming: Naming, family: Family, most: int) -> _Listed:
    """Give tests of hypotheses."""
    tests, numbers = family.tests, family.tests.numbers.tolist()
    chosen = _largest(numbers, most)
    told = naming.told([one for k in chosen if isinstance(one := tests.of[k], Hypothesis)])
    size, sd, *rest = numbers
    figures = [row[k] for row in rest for k in chosen]
    begun = [one.begun for one in told]
    if not tests.sized:
        return _Listed(TEST, begun, [_NULL] * len(begun), figures)
    in_units = [
        *(size[k] * one.times / one.over for k, one in zip(chosen, told, strict=True)),
        *(sd[k] * abs(one.times) / one.over for k, one in zip(chosen, told, strict=True)),
    ]
    return _Listed(TEST, begun, [one.unit for one in told], in_units + figures)


def _imbalances(naming: Naming, family: Family, most: int) -> _Listed:
    """Give tests of nodes."""
    tests, numbers = family.tests, family.tests.numbers.tolist()
    chosen = _largest(numbers, most)
    kept: dict[object, bytes] = naming.it.intake.terms.same.setdefault(_KEPT, {})
    begun = []
    for k in chosen:
        one = tests.of[k]
        beginning = kept.get(one)
        if beginning is None and not isinstance(one, Hypothesis):
            names = [naming.node(name)[0] for name in one[0]]
            beginning = _IMBALANCE.begun({"nodes": names, "of": str(one[1])})
            if len(kept) < _MOST_KEPT:
                kept[one] = beginning
        begun.append(beginning or b"")
    unit = orjson.dumps(naming.it.mass_unit)
    figures = [row[k] for row in numbers for k in chosen]
    return _Listed(_IMBALANCE, begun, [unit] * len(begun), figures)
